"""Time stamps of a terminal listing, in each of their forms."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.frame_rows import EARLIEST_UTC_NS
from canassist.frames.text.digits import NS_PER_S, decimal_integers, decimal_ns, windows

if TYPE_CHECKING:
    from canassist.frames.text.text_lines import Table, Words
    from canassist.model import BoolArray, IntArray, ReadReport

_WALL_CLOCK_ZERO: Final = datetime(1970, 1, 1)  # without a zone: it is not known
_ABSOLUTE_DIGITS: Final = 10  # candump writes seconds since 1970 with so many, others with 3
_DAY_TEXT: Final = len("2024-01-31")
_CLOCK_TEXT: Final = len("23:59:59")
_SHARE_FALLING: Final = 0.1  # of stamps, from which they must be differences; own choice
_FEWEST_STAMPS: Final = 3
_NOMINAL_STEP_NS: Final = 1_000_000


class ListingClock:
    """Reads the time stamps of one listing.

    Parameters
    ----------
    report : ReadReport
        Gets `epoch` or `start_local` where the form of the stamps tells them.
    """

    def __init__(self, report: ReadReport) -> None:
        self._report = report
        self._kind = ""
        self._last_ns = 0
        self._lines = 0

    def times(self, table: Table, word: Words) -> tuple[IntArray, BoolArray]:
        """Read the time of every line.

        Returns
        -------
        time_ns : array of int64, shape (n,)
            For a line without one, that of the line before.
        timed : array of bool, shape (n,)
            Whether the line has a time, or needs none because no line has.
        """
        own_ns, timed, is_date, digits = _stamps(table, word)
        if not self._kind:
            self._kind = self._choose(own_ns[timed], is_date[timed], digits[timed])
        if self._kind == "none":
            count = np.arange(self._lines, self._lines + len(own_ns), dtype=np.int64)
            self._lines += len(own_ns)
            return count * _NOMINAL_STEP_NS, np.ones(len(own_ns), dtype=np.bool_)
        if self._kind == "difference":
            time_ns = self._last_ns + np.cumsum(np.where(timed, own_ns, 0))
        else:
            time_ns = _carried(own_ns, timed, self._last_ns)
        if len(time_ns):
            self._last_ns = int(time_ns[-1])
        return time_ns, timed

    def _choose(self, own_ns: IntArray, is_date: BoolArray, digits: IntArray) -> str:
        """Tell which form a listing's stamps have, from the first ones."""
        if not len(own_ns):
            self._report.add_problem(
                "listing",
                "has no time stamps; frames are put 1 ms apart in their order, so nothing that "
                "depends on time can be believed",
                grave=True,
            )
            return "none"
        if is_date[0]:
            self._report.start_local = _WALL_CLOCK_ZERO
            return "own"
        if digits[0] >= _ABSOLUTE_DIGITS:
            self._report.epoch = "utc" if own_ns[0] >= EARLIEST_UTC_NS else "file"
            return "own"
        return "difference" if _are_differences(own_ns) else "own"


def _are_differences(own_ns: IntArray) -> bool:
    """Tell times since the frame before, which go up and down, from ones since the start."""
    if len(own_ns) < _FEWEST_STAMPS:
        return False
    falling = np.count_nonzero(np.diff(own_ns) < 0) / len(own_ns)
    return bool(falling > _SHARE_FALLING or own_ns[-1] <= own_ns[1])


def _carried(own_ns: IntArray, timed: BoolArray, last_ns: int) -> IntArray:
    """Give lines without a time that of the line before."""
    place = np.maximum.accumulate(np.where(timed, np.arange(len(own_ns)), -1))
    carried: IntArray = np.where(place >= 0, own_ns[np.maximum(place, 0)], last_ns)
    return carried


def _stamps(table: Table, word: Words) -> tuple[IntArray, BoolArray, BoolArray, IntArray]:
    """Read the stamp at the start of every line.

    Returns
    -------
    own_ns : array of int64
        Time as it stands there; 0 where there is none.
    timed, is_date : array of bool
    digits : array of int64
        Digits before the decimal point.
    """
    filled = np.flatnonzero(word.many)
    begins = table.buffer[word.start[word.first[filled]]] == ord("(")
    rows = filled[begins]
    first = word.first[rows]
    one_word = table.buffer[word.end[first] - 1] == ord(")")
    start = word.start[first] + 1
    end = np.where(one_word, word.end[first], word.end[first + 1]) - 1
    closed = table.buffer[end] == ord(")")
    dots = np.append(np.flatnonzero(table.buffer == ord(".")), len(table.buffer))
    dot = np.minimum(dots[np.searchsorted(dots, start)], end)
    number_ns, fine = decimal_ns(table.buffer, start, dot, end, unit_ns=NS_PER_S)
    date_ns, fine_date = _dates(table, start, dot, end)
    time_ns = np.where(one_word, number_ns, date_ns)
    good = np.where(one_word, fine, fine_date) & closed
    lines = len(table.line_start)
    own_ns, digits = np.zeros(lines, dtype=np.int64), np.zeros(lines, dtype=np.int64)
    timed, is_date = np.zeros(lines, dtype=np.bool_), np.zeros(lines, dtype=np.bool_)
    own_ns[rows] = np.where(good, time_ns, 0)
    digits[rows] = dot - start
    timed[rows] = good
    is_date[rows] = ~one_word
    return own_ns, timed, is_date, digits


def _dates(
    table: Table, start: IntArray, dot: IntArray, end: IntArray
) -> tuple[IntArray, BoolArray]:
    """Read ``2024-01-31 23:59:59.123456`` as nanoseconds of the wall clock since 1970."""
    buffer = table.buffer
    clock = start + _DAY_TEXT + 1
    fine = dot - clock == _CLOCK_TEXT
    clock = np.where(fine, clock, start)
    hours, fine_hours = decimal_integers(buffer, clock, clock + 2)
    minutes, fine_minutes = decimal_integers(buffer, clock + 3, clock + 5)
    point = np.where(fine, dot, clock + _CLOCK_TEXT)
    seconds_ns, fine_seconds = decimal_ns(
        buffer, clock + 6, point, np.maximum(point, end), unit_ns=NS_PER_S
    )
    fine &= fine_hours & fine_minutes & fine_seconds
    days = windows(buffer, start, _DAY_TEXT).view(f"S{_DAY_TEXT}")[:, 0]
    day_ns = np.zeros(len(start), dtype=np.int64)
    for text in np.unique(days[fine]):
        same = fine & (days == text)
        since_1970 = _day(text)
        fine &= ~same | (since_1970 is not None)
        day_ns[same] = (since_1970 or 0) * 86_400 * NS_PER_S
    return day_ns + (hours * 3600 + minutes * 60) * NS_PER_S + seconds_ns, fine


def _day(text: bytes) -> int | None:
    try:
        return (datetime.fromisoformat(text.decode("latin-1")) - _WALL_CLOCK_ZERO).days
    except ValueError:
        return None
