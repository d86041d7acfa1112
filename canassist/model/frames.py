"""Frames as columns: what a reader gives and what decoding takes."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntFlag
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from canassist.model.recorder_notes import Thinning

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
ByteArray = NDArray[np.uint8]
IdArray = NDArray[np.uint32]

EXTENDED_KEY = 0x8000_0000
"""Added to a 29-bit identifier to tell it from an 11-bit one, as DBC files do."""

STANDARD_IDS = 0x800


class FrameFlag(IntFlag):
    """Properties of a frame; one byte a frame in `FrameBlock.flags`."""

    EXTENDED = 1
    REMOTE = 2
    ERROR = 4
    FD = 8
    BIT_RATE_SWITCH = 16
    ERROR_STATE = 32
    SENT = 64


_EXTENDED = np.uint8(FrameFlag.EXTENDED)


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameBlock:
    """A run of frames in file order, as columns.

    Attributes
    ----------
    time_ns : array of int64, shape (n,)
        Time stamps in nanoseconds as the file has them: since 1970 (UTC) where
        `ReadReport.epoch` is set to ``"utc"``, else since the file's own zero.
    bus : array of uint8, shape (n,)
        Index into `ReadReport.buses`.
    can_id : array of uint32, shape (n,)
        Identifier without any flag bit; 0 for an error frame whose file gives none.
        For an error frame, the class bits of linux/can/error.h where known.
    flags : array of uint8, shape (n,)
        `FrameFlag` bits.
    length : array of uint8, shape (n,)
        Data length in bytes, 0 to 64. For a remote frame the length asked for.
    payload : array of uint8, shape (m, w)
        Data bytes of the frames whose identifier is wanted, zero beyond the
        length; w is 8 or 64. Error frames keep their detail bytes here if wanted.
    payload_row : array of int64, shape (m,)
        Which frame of the block each payload row belongs to, ascending.
    """

    time_ns: IntArray
    bus: ByteArray
    can_id: IdArray
    flags: ByteArray
    length: ByteArray
    payload: ByteArray
    payload_row: IntArray

    def __len__(self) -> int:
        return len(self.time_ns)

    @property
    def key(self) -> IdArray:
        """Identifier with `EXTENDED_KEY` added for 29-bit ones, shape (n,)."""
        extended = (self.flags & _EXTENDED).astype(np.uint32)
        return self.can_id | (extended << np.uint32(31))


class IdMask(NamedTuple):
    """A family of 29-bit identifiers: those with ``can_id & mask == match``."""

    mask: int
    match: int


class IdSet:
    """Identifiers whose payload is wanted; tests whole columns at once.

    Parameters
    ----------
    keys : iterable of int
        Identifiers, with `EXTENDED_KEY` added for 29-bit ones.
    masks : iterable of IdMask
        Families of 29-bit identifiers (a J1939 group from any source, say).
    error_frames : bool
        Whether the detail bytes of error frames are wanted.
    """

    __slots__ = ("_extended", "_masks", "_standard", "error_frames")

    def __init__(
        self, keys: Iterable[int] = (), masks: Iterable[IdMask] = (), *, error_frames: bool = False
    ) -> None:
        keys = sorted(set(keys))
        self._standard: BoolArray = np.zeros(STANDARD_IDS, dtype=np.bool_)
        self._standard[[key for key in keys if key < STANDARD_IDS]] = True
        self._extended: IdArray = np.array(
            [key & ~EXTENDED_KEY for key in keys if key & EXTENDED_KEY], dtype=np.uint32
        )
        self._masks = tuple(dict.fromkeys(masks))
        self.error_frames = error_frames

    def has_extended(self) -> bool:
        """Whether any 29-bit identifier is wanted."""
        return bool(len(self._extended) or self._masks)

    def contains(self, can_id: IdArray, extended: BoolArray) -> BoolArray:
        """Tell for each frame whether it is wanted, shape (n,)."""
        wanted = self._standard[np.minimum(can_id, STANDARD_IDS - 1)]
        wanted &= ~extended & (can_id < STANDARD_IDS)
        rows = np.flatnonzero(extended)
        if len(rows) and self.has_extended():
            wanted[rows] = self._contains_extended(can_id[rows])
        return wanted

    def _contains_extended(self, can_id: IdArray) -> BoolArray:
        found = np.zeros(len(can_id), dtype=np.bool_)
        if len(self._extended):
            place = np.searchsorted(self._extended, can_id)
            place = np.minimum(place, len(self._extended) - 1)
            found = self._extended[place] == can_id
        for mask, match in self._masks:
            found |= (can_id & np.uint32(mask)) == match
        return found


class Problem(NamedTuple):
    """Something in an input that was skipped, repaired or lost.

    What is grave tells of frames lost, or puts what was read in doubt: it is said before the
    answer.
    """

    where: str
    what: str
    grave: bool = False


@dataclass(slots=True)
class ReadReport:
    """What a reader saw of one file, besides the frames: filled while it reads.

    Attributes
    ----------
    name : str
        Name of the file that is being read, without folder.
    format : str
        Short name of the format, as in the result (``"candump"``, ``"blf"``, ...).
    buses : list of str
        Bus names in order of appearance; `FrameBlock.bus` points in here.
    start_utc : datetime or None
        Absolute time of the file's own zero, where the file gives it with its zone.
    start_local : datetime or None
        The same on the recorder's wall clock, of unknown zone: only places files to each other.
    epoch : str
        ``"utc"`` where time stamps count from 1970, else ``"file"``.
    skipped : int
        Lines or objects that could not be read.
    problems : list of Problem
        What was lost, where and how much; at most `MAX_PROBLEMS` are kept.
    unlisted : int
        Reports beyond those.
    recorder_losses_ns : list of int
        Times at which the recorder itself says that it lost frames.
    doubtful : bool
        A checksum shows that some of what was read is wrong, and not which part.
    cut : bool
        The file ends within a line, a block or an archive: there was more.
    open_line : int
        Number of a last line without an end, else 0.
    lines_at_once, lines_singly : int
        Lines of a text log read many at a time (fast), and one at a time because they are odd.
    bytes_read, bytes_total : int
        Progress through the file as it lies on disk; total 0 where unknown.
    """

    name: str = ""
    format: str = ""
    buses: list[str] = field(default_factory=list)
    start_utc: datetime | None = None
    start_local: datetime | None = None
    epoch: str = "file"
    skipped: int = 0
    problems: list[Problem] = field(default_factory=list)
    unlisted: int = 0
    recorder_losses_ns: list[int] = field(default_factory=list)
    doubtful: bool = False
    cut: bool = False
    open_line: int = 0
    lines_at_once: int = 0
    lines_singly: int = 0
    bytes_read: int = 0
    bytes_total: int = 0

    MAX_PROBLEMS = 50
    MAX_BUSES = 255

    def bus_index(self, name: str) -> int:
        """Return the index of a bus, adding it when new.

        No recorder has more than `MAX_BUSES`; in a damaged file, further names share the last.
        """
        if name not in self.buses:
            if len(self.buses) == self.MAX_BUSES:
                return self.MAX_BUSES - 1
            self.buses.append(name)
        return self.buses.index(name)

    def count_lines(self, lines: int, singly: int) -> None:
        """Count a run of lines, of which some were left to be read one at a time."""
        self.lines_at_once += lines - singly
        self.lines_singly += singly

    def add_problem(  # noqa: PLR0913 - marks, each by its name
        self,
        where: str,
        what: str,
        *,
        skipped: int = 0,
        grave: bool = False,
        doubtful: bool = False,
        cut: bool = False,
    ) -> None:
        """Count what was skipped, and keep the place while there is room.

        What puts all else in doubt comes first, and always finds room. What was skipped is
        grave by itself.
        """
        self.skipped += skipped
        self.doubtful |= doubtful
        self.cut |= cut
        problem = Problem(where, what, grave or doubtful or skipped > 0)
        if doubtful:
            self.problems.insert(0, problem)
        else:
            self.problems.append(problem)
        self.unlisted += len(self.problems[self.MAX_PROBLEMS :])
        del self.problems[self.MAX_PROBLEMS :]

    def take_over(self, other: ReadReport) -> None:
        """Add what another report of the same file has to say of its damage and its start."""
        for place, problem in enumerate(other.problems):
            first = other.doubtful and place == 0
            self.add_problem(problem.where, problem.what, grave=problem.grave, doubtful=first)
        self.skipped += other.skipped
        self.unlisted += other.unlisted
        self.doubtful |= other.doubtful
        self.cut |= other.cut
        self.start_local = other.start_local or self.start_local


class FrameSource(NamedTuple):
    """One identifier on one bus."""

    bus: int
    key: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageFrames:
    """All frames of one identifier on one bus, in time order.

    Attributes
    ----------
    time_s : array of float64, shape (n,)
        Seconds since the earliest frame of the log, not decreasing.
    payload : array of uint8, shape (n, w)
        Data bytes, zero beyond the length; w is 8 or 64.
    length : array of uint8, shape (n,)
        Data length in bytes.
    """

    source: FrameSource
    time_s: FloatArray
    payload: ByteArray
    length: ByteArray


@dataclass(frozen=True, slots=True, kw_only=True)
class IdStats:
    """Traffic of one identifier on one bus; times in seconds since the earliest frame."""

    source: FrameSource
    count: int
    first_s: float
    last_s: float
    period_s: float
    jitter_s: float
    longest_silence_s: float
    silences: tuple[tuple[float, float], ...] = ()
    """Last frame before and first frame after each silence of 0.2 s and 5 periods or more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BusStats:
    """The bus as it was: traffic, silences and error frames of the whole log.

    Attributes
    ----------
    buses : tuple of str
        Bus names; `FrameSource.bus` points in here.
    frames, error_frames : int
        All frames, and how many of them are error frames.
    duration_s : float
        From the earliest frame to the last.
    ids : tuple of IdStats
        One entry for each identifier on each bus, error frames left out.
    error_time_s : array of float64, shape (k,)
        When error frames came, ascending.
    error_class : array of uint32, shape (k,)
        Their class bits (linux/can/error.h); 0 where the file gives none.
    recording_gaps : tuple of (start_s, end_s)
        No frame on any bus for 1 s or more.
    bus_gaps : tuple of (bus, start_s, end_s)
        One of several buses silent for 1 s or more while another goes on.
    seams : tuple of (bus, start_s, end_s)
        Where a bus goes on in another file: its last frame before, its first frame after.
    recorder_losses_s : tuple of float
        Times at which the recorder says that it lost frames itself.
    load : tuple of float or None
        Share of each bus's capacity in use (0..1) at `bit_rate`; None where unknown.
    bit_rate : tuple of int or None
        Nominal bit rate of each bus, inferred where `bit_rate_given` is False.
    doubtful : bool
        A checksum shows that some of the file's data is wrong: a few odd frames prove nothing.
    cut : bool
        A file ends in the middle: the ride went on, and nobody knows how.
    thinning : mapping of int to Thinning
        By bus, where its recorder drops frames of all identifiers by turns.
    """

    buses: tuple[str, ...]
    frames: int
    error_frames: int
    duration_s: float
    ids: tuple[IdStats, ...]
    error_time_s: FloatArray
    error_class: IdArray
    recording_gaps: tuple[tuple[float, float], ...] = ()
    bus_gaps: tuple[tuple[int, float, float], ...] = ()
    seams: tuple[tuple[int, float, float], ...] = ()
    recorder_losses_s: tuple[float, ...] = ()
    load: tuple[float | None, ...] = ()
    bit_rate: tuple[int | None, ...] = ()
    bit_rate_given: bool = False
    doubtful: bool = False
    cut: bool = False
    thinning: Mapping[int, Thinning] = field(default_factory=dict)

    def chance_of_silence(self, source: FrameSource, silent_s: float) -> float:
        """Return the chance that the recorder alone made an identifier silent this long.

        0 where it drops no frames. Below one in a million a silence is the bus's own.
        """
        thinning = self.thinning.get(source.bus)
        return 0.0 if thinning is None else thinning.chance_of_silence(source.key, silent_s)
