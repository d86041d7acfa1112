"""Help pages, explanations and messages about a command line."""
