"""A ride recorded: listening only, the log sacred, the recipe watched live."""
