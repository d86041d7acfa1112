"""What a recorder, or whoever rode along, wrote down beside the log."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinning:
    """How a recorder drops frames of all identifiers of a bus by turns.

    Attributes
    ----------
    lost : float
        Share of all frames that is missing, 0 to 1.
    lost_again : float
        Chance that behind a missing frame the next one of its identifier is missing too.
    period_s : mapping of int to float
        True period of each cyclic identifier by its key; the median time between frames
        is longer.
    missed : mapping of int to float
        Share of the times between an identifier's frames in which some are missing: those that
        come late in every turn are lost more often.
    """

    lost: float
    lost_again: float
    period_s: Mapping[int, float]
    missed: Mapping[int, float] = field(default_factory=dict)

    def chance_of_silence(self, key: int, silent_s: float) -> float:
        """Return the chance that a silence this long is the recorder's alone.

        1 for an identifier whose period is not known: nothing can be said of it.
        """
        period_s = self.period_s.get(key)
        if period_s is None:
            return 1.0
        missing = max(0, round(silent_s / period_s) - 1)
        again = max(self.lost_again, self.missed.get(key, 0.0))
        return max(self.lost, again) if missing == 1 else again ** max(0, missing - 1)
