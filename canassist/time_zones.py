"""Time zones by name."""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from canassist.errors import UsageError

if TYPE_CHECKING:
    from datetime import tzinfo


def find_zone(name: str) -> tzinfo | None:
    """Return a time zone by name; None for an empty name.

    Raises
    ------
    UsageError
        If there is no such zone.
    """
    if not name:
        return None
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        problem = f'"{name}" is no time zone that this computer knows.'
        raise UsageError(problem, "Write one such as Europe/Oslo or UTC.") from error
