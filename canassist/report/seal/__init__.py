"""The seal of a page, signatures, and their verification."""
