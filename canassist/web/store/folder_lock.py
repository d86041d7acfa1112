"""One server a folder: a lock that the system drops when the process ends, however it ends."""

from __future__ import annotations

import errno
import importlib
import os
from typing import TYPE_CHECKING, Any, Final

from canassist.errors import OutputError, UsageError

if TYPE_CHECKING:
    from pathlib import Path

_HELD: Final = frozenset({errno.EACCES, errno.EAGAIN, errno.EDEADLK})
"""What the systems say of a lock that another process has."""


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
    OutputError
        If nothing can be written there, or the disk knows no locks.
    """

    def __init__(self, folder: Path) -> None:
        try:
            self._file = (folder / "in_use.lock").open("a+b")
        except OSError as error:
            raise _unfit(folder, error) from error
        try:
            _lock(self._file.fileno())
        except OSError as error:
            self._file.close()
            if error.errno not in _HELD:
                raise _unfit(folder, error) from error
            problem = f"{folder}: another canassist page is already using this folder."
            fix = "Open that one in the browser, or give this one another folder with --data."
            raise UsageError(problem, fix) from None

    def release(self) -> None:
        """Let another process have the folder."""
        self._file.close()


def _unfit(folder: Path, error: OSError) -> OutputError:
    problem = f"{folder}: cannot be used for data ({error.strerror or error})."
    return OutputError(problem, "Choose another folder with --data.")


def _lock(handle: int) -> None:
    """Lock a file or raise OSError; by the means that the system has."""
    if os.name == "nt":
        windows: Any = importlib.import_module("msvcrt")  # Any: not on every system
        windows.locking(handle, windows.LK_NBLCK, 1)
    else:
        unix: Any = importlib.import_module("fcntl")  # Any: the same
        unix.flock(handle, unix.LOCK_EX | unix.LOCK_NB)
