"""Keys of a terminal without Enter, on every system."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


@contextmanager
def keys() -> Iterator[Callable[[], str]]:
    """Give a function that returns the next key pressed, or "" where none was.

    Where standard input is no terminal there are no keys.
    """
    if not sys.stdin or not sys.stdin.isatty():
        yield lambda: ""
    elif sys.platform == "win32":
        yield _windows_key
    else:
        with _unix_keys() as next_key:
            yield next_key


@contextmanager
def _unix_keys() -> Iterator[Callable[[], str]]:
    import select  # noqa: PLC0415 - not on every system
    import termios  # noqa: PLC0415 - the same
    import tty  # noqa: PLC0415 - the same

    handle = sys.stdin.fileno()
    before = termios.tcgetattr(handle)

    def next_key() -> str:
        ready, _, _ = select.select([handle], [], [], 0)
        if not ready:
            return ""
        import os  # noqa: PLC0415 - beside its only use

        return os.read(handle, 1).decode("latin-1")

    try:
        tty.setcbreak(handle)
        yield next_key
    finally:
        termios.tcsetattr(handle, termios.TCSADRAIN, before)


def _windows_key() -> str:
    import msvcrt  # noqa: PLC0415 - only there

    if sys.platform != "win32" or not msvcrt.kbhit():
        return ""
    return msvcrt.getwch()
