"""Files that say what a command is to use: project, case, profile, and which is which."""
