"""One server a folder: a lock that the system drops when the process ends, however it ends."""

from __future__ import annotations

import importlib
import os
from typing import TYPE_CHECKING

from canassist.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path


class FolderLock:
    """Holds a folder for this process.

    Parameters
    ----------
    folder : path
        Must exist.

    Raises
    ------
    UsageError
        If another process holds it.
    """

    def __init__(self, folder: Path) -> None:
        self._file = (folder / "in_use.lock").open("a+b")
        try:
            _lock(self._file.fileno())
        except OSError:
            self._file.close()
            problem = f"{folder}: another canassist page is already using this folder."
            fix = "Open that one in the browser, or give this one another folder with --data."
            raise UsageError(problem, fix) from None

    def release(self) -> None:
        """Let another process have the folder."""
        self._file.close()


def _lock(handle: int) -> None:
    """Lock a file or raise OSError; by the means that the system has."""
    if os.name == "nt":
        system = importlib.import_module("msvcrt")
        system.locking(handle, system.LK_NBLCK, 1)
    else:
        system = importlib.import_module("fcntl")
        system.flock(handle, system.LOCK_EX | system.LOCK_NB)
