"""The command line: one file a command; errors become exit statuses."""

from canassist.cli.app import main

__all__ = ["main"]
