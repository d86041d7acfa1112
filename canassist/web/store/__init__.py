"""The data folder: files by content, and the index over them."""
