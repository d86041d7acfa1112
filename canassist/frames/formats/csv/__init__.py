"""CSV logs: python-can's with base64 data, and plain tables with a header line."""
