"""Signal databases: files in, checked and frozen layouts out."""
