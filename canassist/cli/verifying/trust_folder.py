"""Where this user's trusted keys are kept."""

from __future__ import annotations

from pathlib import Path

import typer


def trust_folder() -> Path:
    """Return the folder in which this system keeps a user's configuration of canassist."""
    return Path(typer.get_app_dir("canassist"))
