"""Raw bits to values, and which of them are valid."""
