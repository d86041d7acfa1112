"""What `canassist record` shows and leaves behind."""
