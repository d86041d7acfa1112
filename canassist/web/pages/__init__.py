"""The pages, one file a page, and the interface for programs."""
