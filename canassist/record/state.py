"""What the screens show: the recording at one moment, as plain values."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canassist.model import Coverage
    from canassist.record.log_annotations import Mark


class RowState(StrEnum):
    """How far a row of the ride recipe is."""

    DONE = "done"
    MISSING = "missing"
    IMPOSSIBLE = "impossible"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecipeRow:
    """One thing to ride.

    Attributes
    ----------
    name : str
        Short, as in "slow turns left".
    ridden, needed : float
        In `unit`; `ridden` is 0 where it is impossible.
    how : str
        How to ride it, or why it is impossible.
    optional : bool
        Whether a ride is whole without it.
    """

    name: str
    state: RowState
    ridden: float
    needed: float
    unit: str
    how: str
    optional: bool = False

    @property
    def left(self) -> float:
        """Return how much is missing."""
        return max(self.needed - self.ridden, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelNow:
    """A channel's newest value."""

    name: str
    text: str
    doubt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """A dip, a lost channel or a restart, as seen while recording.

    Attributes
    ----------
    at_s : float
        Seconds since the log's first frame.
    lasted_s : float or None
        None while it lasts.
    """

    kind: str
    at_s: float
    lasted_s: float | None
    text: str
    value: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveAnswer:
    """What the watching process makes of the log so far.

    Attributes
    ----------
    until_s : float
        Seconds of log that it rests on.
    note : str
        Why it is not complete; "" where it is.
    """

    until_s: float
    recipe: tuple[RecipeRow, ...] = ()
    channels: tuple[ChannelNow, ...] = ()
    alarms: tuple[Alarm, ...] = ()
    coverage: Coverage | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BusNow:
    """One bus: of late, and in all."""

    name: str
    rate: float
    load: float | None
    frames: int
    errors: int
    ids: int
    absent_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingState:
    """Everything that a screen shows.

    Attributes
    ----------
    passed_s : float
        Seconds since the recording began.
    first_log_s : float
        Raw time stamp of the first frame.
    log_s : float
        Seconds of the log so far, by its own clock.
    warnings : tuple of str
        What somebody should do something about, the gravest first.
    room_bytes : int or None
        Free space left on the disk.
    """

    name: str
    passed_s: float
    first_log_s: float
    log_s: float
    frames: int
    lost: int
    errors: int
    written_bytes: int
    room_bytes: int | None
    buses: tuple[BusNow, ...]
    warnings: tuple[str, ...]
    marks: tuple[Mark, ...]
    answer: LiveAnswer | None
    watches_recipe: bool
    alert: bool

    def next_row(self) -> RecipeRow | None:
        """Return the next thing to ride: the first that is missing and not optional."""
        rows = self.answer.recipe if self.answer else ()
        missing = [one for one in rows if one.state is RowState.MISSING]
        return next((one for one in missing if not one.optional), None)
