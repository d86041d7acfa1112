"""The whole answer on one ride."""

from __future__ import annotations

from dataclasses import dataclass, field
from os import PathLike, fspath
from typing import TYPE_CHECKING

from canassist.model.conclusions import Conclusion, Coverage, Moment
from canassist.model.estimates import Physics
from canassist.model.events import Event
from canassist.model.result_frames import conclusions_frame, estimates_frame, events_frame

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    import pandas as pd

    from canassist.model.channels import Channel, DatabaseFit, Timeline
    from canassist.model.frames import Problem
    from canassist.model.profile import Profile
    from canassist.model.recorder_notes import RecorderNotes, RiderNote
    from canassist.model.views import ResultViews, Units


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """One file that the result was made from; name only, no folder.

    ``bus`` is the bus that a database was tied to; empty where it serves all.
    """

    role: str
    name: str
    sha256: str
    size_bytes: int
    bus: str = ""


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

    @property
    def told_first(self) -> tuple[Problem, ...]:
        """What was lost or is in doubt, to be said before the answer."""
        return tuple(one for one in self.problems if one.grave)


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
    notes : tuple of RiderNote
        What was written down while riding.
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
    notes: tuple[RiderNote, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Result:
    """What canassist found on one ride.

    Two results are equal where the same version found the same in the same files.

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
    views : ResultViews or None
        Writes pages, data and tables; `analyze` gives every result one.
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
    views: ResultViews | None = field(default=None, repr=False)

    def __eq__(self, other: object) -> bool:
        """Tell whether the same was found in the same files."""
        return isinstance(other, Result) and self._stated() == other._stated()

    def __hash__(self) -> int:
        """Return a hash of the files and of what was found in them."""
        return hash((self.version, self.inputs, self.events, self.conclusions))

    def _stated(self) -> tuple[object, ...]:
        found = (self.events, self.conclusions, self.ruled_out, self.coverage, self.moments)
        return (self.version, self.inputs, self.log, self.case, self.assumed, *found)

    def __repr__(self) -> str:
        """Return one line: the ride, its events and the answer."""
        ride = ", ".join(item.name for item in self.inputs if item.role == "log") or "no log"
        first = self.conclusions[0]
        sure = f" ({first.strength})" if first.strength is not None else ""
        length = f"{self.log.duration_s:.1f} s, {len(self.events)} events"
        return f"<canassist.Result {ride}: {length}: {first.code}{sure}>"

    def _repr_html_(self) -> str:
        """Return answer, reasons and one picture, for notebooks."""
        return self._views().notebook(self)

    def summary(self) -> str:
        """Return the answer, its basis, what was also found and the next checks, as text."""
        first = self.conclusions[0]
        lines = [first.headline, f"  {first.basis}"]
        lines += [f"  also: {item.headline}" for item in self.conclusions[1:]]
        lines += [f"  {n}. {check.text}" for n, check in enumerate(first.next_checks, 1)]
        lines += [f"  cannot tell: {text}" for text in self.coverage.cannot_tell]
        return "\n".join(lines)

    def to_html(
        self, path: str | PathLike[str] | None = None, *, units: Units = "metric", zone: str = ""
    ) -> str:
        """Return the report as one HTML page, and write it where a path is given.

        Parameters
        ----------
        path : path, optional
            The file appears whole or not at all.
        units : {"metric", "us"}
            Units shown.
        zone : str
            Time zone of clock times, such as ``"Europe/Oslo"``; UTC where empty.

        Raises
        ------
        CanassistError
            If the zone is unknown or the file cannot be written.
        ValueError
            If the result was not made by `analyze`.
        """
        views = self._views()
        page = views.page(self, units=units, zone=zone)
        if path is not None:
            views.write(fspath(path), page.encode())
        return page

    def to_json(self, path: str | PathLike[str] | None = None) -> bytes:
        """Return the result JSON (RFC 8785 canonical bytes), and write it where a path is given.

        Raises
        ------
        CanassistError
            If the file cannot be written.
        ValueError
            If the result was not made by `analyze`.
        """
        views = self._views()
        data = views.data(self)
        if path is not None:
            views.write(fspath(path), data)
        return data

    def _views(self) -> ResultViews:
        if self.views is None:
            message = "this result was put together by hand; only analyze() makes one that writes"
            raise ValueError(message)
        return self.views

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
        """Return the events, one row each, in time order, with all figures and shares."""
        return events_frame(self.events)

    def conclusions_frame(self) -> pd.DataFrame:
        """Return the conclusions, one row each, by rank."""
        return conclusions_frame(self.conclusions)

    def estimates_frame(self) -> pd.DataFrame:
        """Return the estimates, one row each, with their 90 % intervals."""
        return estimates_frame(self.physics)

    def channels_frame(self) -> pd.DataFrame:
        """Return all channels on one grid, as fine as the fastest; NaN where no value is fresh.

        Raises
        ------
        ValueError
            If the result was not made by `analyze`.
        """
        return self._views().aligned(self)
