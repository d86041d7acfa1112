"""What the invented vehicle sends: messages, background traffic, log files."""
