"""Where a path leads, also where it leads nowhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def real_place(path: Path) -> Path:
    """Follow the links of a path; give it as it stands where they lead in a circle.

    The reader of the file says then what is wrong with it.
    """
    try:
        return path.resolve()
    except (OSError, RuntimeError):
        return path.absolute()


def is_file(path: Path) -> bool:
    """Tell whether a path is a file; one that cannot even be asked is none."""
    try:
        return path.is_file()
    except OSError:
        return False


def is_folder(path: Path) -> bool:
    """Tell whether a path is a folder; one that cannot even be asked is none."""
    try:
        return path.is_dir()
    except OSError:
        return False
