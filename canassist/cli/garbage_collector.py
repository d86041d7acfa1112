"""The cyclic garbage collector in a command that runs for seconds and then ends."""

from __future__ import annotations

import gc

_NEW_OBJECTS = 100_000
_ROUNDS = 50


def collect_rarely() -> None:
    """Look for cycles a hundred times less often.

    A short run keeps most of what it makes until its end; at Python's own pace the search
    takes a twentieth of a report's time and finds next to nothing.
    """
    gc.set_threshold(_NEW_OBJECTS, _ROUNDS, _ROUNDS)


def leave_the_rest() -> None:
    """Spare the search for cycles that Python makes at its end, when all memory goes anyway."""
    gc.freeze()
