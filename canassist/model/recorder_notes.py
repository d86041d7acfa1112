"""What a recorder, or whoever rode along, wrote down beside the log."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderNotes:
    """Frames that came on the wire and are not in the log.

    Attributes
    ----------
    losses_log_s : tuple of float
        Raw time stamps of the log at which frames were lost.
    holes_log_s : tuple of (start, end)
        Raw time stamps between which a channel was not listened to.
    losses_s, holes_s : the same
        In seconds since the earliest frame: as a result states them.
    """

    losses_log_s: tuple[float, ...] = ()
    holes_log_s: tuple[tuple[float, float], ...] = ()
    losses_s: tuple[float, ...] = ()
    holes_s: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RiderNote:
    """What somebody wrote down while riding, and when.

    Attributes
    ----------
    at_s : float
        Seconds since the earliest frame.
    at_log_s : float or None
        The same as a raw time stamp of the log, which wins.
    """

    at_s: float
    text: str
    at_log_s: float | None = None
