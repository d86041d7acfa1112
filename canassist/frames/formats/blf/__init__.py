"""BLF binary logs."""
