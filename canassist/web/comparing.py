"""Rides side by side, where this installation can compare."""

from __future__ import annotations

from importlib import util


def can_compare() -> bool:
    """Tell whether rides can be compared here."""
    found = util.find_spec("canassist.compare")
    return found is not None and found.origin is not None
