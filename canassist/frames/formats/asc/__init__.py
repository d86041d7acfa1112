"""ASC text logs."""
