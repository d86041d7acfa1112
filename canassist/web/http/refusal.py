"""A request that is not granted, in plain words."""

from __future__ import annotations

import errno
import secrets
import sqlite3
from typing import Final

from canassist.web.http.page_texts import say

_NO_ROOM: Final = frozenset({errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)})
_DISK_FULL_WINDOWS: Final = 112


class Refused(Exception):  # noqa: N818 - what happened, not what went wrong
    """A request that is not granted; shown to whoever asked.

    Parameters
    ----------
    status : int
        HTTP status.
    problem, fix : str
        What is wrong and what to do, one sentence each.
    """

    def __init__(self, status: int, problem: str, fix: str) -> None:
        super().__init__(status, problem, fix)
        self.status = status
        self.problem = problem
        self.fix = fix


def refused(status: int, name: str, /, **values: object) -> Refused:
    """Return a refusal whose two sentences stand in the words file."""
    return Refused(status, say(f"refusals.{name}", **values), say(f"refusals.{name}_fix", **values))


def new_number() -> str:
    """Return a number by which an error is found in the log."""
    return secrets.token_hex(4)


def is_disk_full(error: BaseException) -> bool:
    """Tell whether an error means that the disk has no room left."""
    if isinstance(error, OSError):
        return error.errno in _NO_ROOM or getattr(error, "winerror", 0) == _DISK_FULL_WINDOWS
    return isinstance(error, sqlite3.OperationalError) and "full" in str(error)


def is_out_of_memory(error: BaseException) -> bool:
    """Tell whether an error means that no memory was left, for values or for a library's code."""
    if isinstance(error, OSError):
        return error.errno == errno.ENOMEM
    no_room_for_code = isinstance(error, ImportError) and "failed to map segment" in str(error)
    return no_room_for_code or isinstance(error, MemoryError)
