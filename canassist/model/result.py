"""The whole answer on one ride."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from canassist.model.findings import Conclusion, Coverage, Event, Moment, Physics

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    import pandas as pd

    from canassist.model.channels import Channel, DatabaseFit, Timeline
    from canassist.model.frames import Problem
    from canassist.model.profile import Profile
    from canassist.model.recorder_notes import RecorderNotes


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """One file that the result was made from; name only, no folder."""

    role: str
    name: str
    sha256: str
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LogSummary:
    """The recording as a whole.

    ``start_local`` is the start on the recorder's wall clock, whose zone is not known; ``fit``
    tells how the given databases and the bus go together, None without a database.
    """

    format: str
    start_utc: datetime | None
    duration_s: float
    frames: int
    error_frames: int
    buses: tuple[str, ...]
    ids: int
    ids_known: int
    problems: tuple[Problem, ...] = ()
    start_local: datetime | None = None
    fit: DatabaseFit | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitChange:
    """A limit that the profile sets other than the default does."""

    limit: str
    default: float
    profile: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What the workshop says about the job; every part may be empty.

    Attributes
    ----------
    at_s : tuple of float
        Moments complained of, s since the earliest frame.
    at_log_s : tuple of float
        The first of these as raw time stamps of the log, which win.
    recorder : RecorderNotes or None
        What the recorder wrote down.
    """

    complaint: str = ""
    correction: str = ""
    vehicle: str = ""
    odometer: str = ""
    work_order: str = ""
    technician: str = ""
    equipment: str = ""
    at_s: tuple[float, ...] = ()
    at_log_s: tuple[float, ...] = ()
    recorder: RecorderNotes | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What canassist found on one ride.

    Attributes
    ----------
    inputs : tuple of InputFile
        Logs, databases and profile, in the order given.
    channels : mapping of str to Channel
        The ride's channels (`timeline.channels`).
    events : tuple of Event
        In time order, with their sentences.
    conclusions : tuple of Conclusion
        By rank; the first answers 'why was the steering heavy?'.
    assumed : tuple of str
        Limits that no profile gave, as ``"limits.NAME"``.
    limits_changed : tuple of LimitChange
        Limits that differ from the default.
    ruled_out : tuple of Conclusion
        Causes that had some evidence and did not hold, with that evidence.
    first_by_default : str
        Code of the first conclusion with the default limits, where it would be
        another one than with the profile's; else empty.
    """

    version: str
    inputs: tuple[InputFile, ...]
    log: LogSummary
    timeline: Timeline
    physics: Physics
    events: tuple[Event, ...]
    conclusions: tuple[Conclusion, ...]
    coverage: Coverage
    profile: Profile
    assumed: tuple[str, ...] = ()
    limits_changed: tuple[LimitChange, ...] = ()
    first_by_default: str = ""
    moments: tuple[Moment, ...] = ()
    case: Case = field(default_factory=Case)
    ruled_out: tuple[Conclusion, ...] = ()

    @property
    def channels(self) -> Mapping[str, Channel]:
        """The ride's channels by name."""
        return self.timeline.channels

    def series(self, channel: str) -> pd.Series[float]:
        """Return one channel as a pandas Series over seconds.

        Raises
        ------
        KeyError
            If the log lacks the channel.
        """
        import pandas as pd  # noqa: PLC0415 - 0.4 s that most commands do not need

        found = self.channels[channel]
        index = pd.Index(found.time_s, name="time_s")
        return pd.Series(found.value, index=index, name=f"{channel} [{found.unit}]")

    def events_frame(self) -> pd.DataFrame:
        """Return the events as a pandas DataFrame, one row each, in time order."""
        import pandas as pd  # noqa: PLC0415 - 0.4 s that most commands do not need

        columns = ("kind", "start_s", "end_s", "cause", "severity", "channel", "text")
        rows = [[getattr(event, name) for name in columns] for event in self.events]
        frame = pd.DataFrame(rows, columns=list(columns))
        return frame.astype({"start_s": float, "end_s": float})
