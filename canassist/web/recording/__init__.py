"""The page of a tablet beside a recording."""
