"""What a plain CSV log leaves unsaid: unit of time, number bases, decimal comma.

Decided on the first lines, where it is certain; else the user is asked.
"""

from __future__ import annotations

import contextlib
import re
import statistics
from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from canassist.errors import InputError
from canassist.frames.formats.csv.csv_columns import UNITS_NS
from canassist.frames.frame_rows import EARLIEST_UTC_NS, HIGHEST_ID, HIGHEST_STANDARD_ID
from canassist.frames.text.digits import NS_PER_S, time_text_ns

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canassist.frames.formats.csv.csv_columns import Columns

SAMPLE_LINES: Final = 5000

# How often one identifier repeats: on a vehicle's bus every few to some hundred milliseconds,
# on a polled one about every second (common practice, no source). Units are a factor of 1000
# apart, so a period within these bounds fits one unit only.
_SHORTEST_PERIOD_NS: Final = 2_000_000
_LONGEST_PERIOD_NS: Final = 2_000_000_000
WALL_CLOCK_ZERO: Final = datetime(1970, 1, 1)
"""Zero of times that a wall clock gives whose zone is not known."""
_SURE_SHARE: Final = 0.8  # of the frames whose identifier repeats so; own choice
_FEWEST_STAMPS: Final = 4  # for a median step
_CERTAIN_DECIMALS: Final = 5  # places behind the point that only seconds are written with
_LATEST_UTC_NS: Final = 4_102_444_800 * NS_PER_S  # the year 2100

DECIMAL: Final = 10
HEXADECIMAL: Final = 16
WIDE_ID: Final = 8
"""Digits of a 29-bit identifier that is written in full."""

_DIGITS: Final = re.compile(r"[0-9]+")
_BETWEEN: Final = re.compile(r"[\s.,:;_-]+")
_ONE_DIGIT: Final = re.compile(r"(?:0[xX])?[0-9a-fA-F]")
_HEX_LETTER: Final = re.compile(r"[a-fA-F]")
_DISTINCT_FOR_DECIMAL: Final = 8
"""So many different identifiers without a letter are decimal: of hexadecimal ones about two in
three have a letter, so all of eight lacking one is less likely than 1 in 1000."""

_CLOCK: Final = re.compile(r"(\d{1,2}):(\d{2}):(\d{2})(?:[.,](\d{1,9}))?")
_ZONE: Final = re.compile(r"(Z|[+-]\d{2}:?\d{2})$")
_HALF_OF_DAY: Final = re.compile(r"\d\s*([ap])\.?m\b", re.IGNORECASE)
_DAY: Final = re.compile(r"(?<!\d)(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?!\d)")
_DAY_FIRST: Final = re.compile(r"(?<!\d)(\d{1,2})\.(\d{1,2})\.(\d{4})")
_SLASHED: Final = re.compile(r"(?<!\d)(\d{1,2})[/-](\d{1,2})[/-](\d{4}|\d{2})(?!\d)")
"""Day or month first: other dates of the file tell."""

_MONTHS: Final = 12
_CENTURY: Final = 2000
_LATEST_YEAR: Final = 2261  # nanoseconds since 1970 end with it


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvConventions:
    """How this file writes what its header does not say.

    Attributes
    ----------
    unit_ns : int
        Length of the unit of time; 0 where times are dates or clock times.
    point : str
        Decimal point or comma.
    id_base, data_base : int
        16 or 10.
    wide_is_extended : bool
        Whether an identifier of 8 digits is a 29-bit one whatever its value.
    zone_known : bool
        Whether dates say their zone.
    short_bytes : bool
        Whether a byte below 10 in the data cell is written with one digit.
    month_first : bool
        Whether 1/2/2023 is the second of January.
    """

    unit_ns: int
    point: str
    id_base: int
    data_base: int
    wide_is_extended: bool
    zone_known: bool
    short_bytes: bool = False
    month_first: bool = False


def learn_conventions(
    columns: Columns, rows: Sequence[Sequence[str]], name: str
) -> tuple[CsvConventions, list[str]]:
    """Find out how a file writes its values.

    Parameters
    ----------
    columns : Columns
    rows : sequence of lines, each a sequence of cells
        Only lines that have all needed cells.
    name : str
        File name for the message.

    Returns
    -------
    habits : CsvConventions
    assumed : list of str
        What was taken for granted and should be told.

    Raises
    ------
    InputError
        If the unit of time cannot be told.
    """
    assumed: list[str] = []
    ids = [row[columns.can_id] for row in rows]
    sources = [f"{row[columns.can_id]} {_bus(columns, row)}" for row in rows]
    times = [row[columns.time] for row in rows]
    point = "," if columns.separator != "," and any("," in text for text in times) else "."
    id_base = columns.id_base or _id_base(ids, columns, rows, assumed)
    unit_ns = 0
    if not any(":" in text for text in times[:3]):
        unit_ns = UNITS_NS.get(columns.time_unit, 0) or _unit_ns(times, sources, name, assumed)
    day = columns.other.get("date")
    dates = times if day is None else [row[day] for row in rows]
    conventions = CsvConventions(
        unit_ns=unit_ns,
        point=point,
        id_base=id_base,
        data_base=columns.data_base or _data_base(columns, rows),
        wide_is_extended=any(len(_bare(text)) <= 4 for text in ids),  # noqa: PLR2004 - digits
        zone_known=not unit_ns and bool(rows) and _zone_known(columns, rows[0]),
        short_bytes=len(columns.data) == 1
        and any(_has_short_byte(row[columns.data[0]]) for row in rows),
        month_first=not unit_ns and _month_first(dates, assumed),
    )
    return conventions, assumed


def _zone_known(columns: Columns, row: Sequence[str]) -> bool:
    day = columns.other.get("date")
    read = clock_ns(row[day] if day is not None else "", row[columns.time])
    return read is not None and read[1]


def _month_first(texts: Iterable[str], assumed: list[str]) -> bool:
    """Tell how dates with slashes are meant: by a number above 12, else the closest days."""
    found = {one.groups() for one in map(_SLASHED.search, set(texts)) if one}
    pairs = {(int(first), int(second)) for first, second, _ in found}
    if any(first > _MONTHS for first, _ in pairs) or not pairs:
        return False
    if any(second > _MONTHS for _, second in pairs):
        return True
    month_first, day_first = ({pair[at] for pair in pairs} for at in (0, 1))
    if len(month_first) != len(day_first):
        return len(month_first) < len(day_first)
    assumed.append("dates are taken as day/month/year: none of them tells")
    return False


def _bus(columns: Columns, row: Sequence[str]) -> str:
    at = columns.other.get("bus")
    return "" if at is None else row[at]


def _bare(text: str) -> str:
    return text.lower().removeprefix("0x").rstrip("hx")


def _id_base(
    ids: list[str], columns: Columns, rows: Sequence[Sequence[str]], assumed: list[str]
) -> int:
    distinct = set(ids)
    prefixed = any(text.lower().startswith("0x") for text in distinct)
    padded = any(text.startswith("0") and len(text) > 1 for text in distinct)
    if prefixed or padded or any(_HEX_LETTER.search(_bare(text)) for text in distinct):
        return HEXADECIMAL
    numbers = [text for text in distinct if _DIGITS.fullmatch(text)]
    if any(int(text, 16) > HIGHEST_ID for text in numbers):
        return DECIMAL
    if len(numbers) >= _DISTINCT_FOR_DECIMAL or _too_large_for_standard(columns, rows):
        return DECIMAL
    if numbers:
        assumed.append("identifiers without a prefix or letter are taken as hexadecimal")
    return HEXADECIMAL


def _too_large_for_standard(columns: Columns, rows: Sequence[Sequence[str]]) -> bool:
    at = columns.other.get("extended")
    if at is None:
        return False
    return any(
        _DIGITS.fullmatch(row[columns.can_id]) is not None
        and as_switch(row[at]) is False
        and int(row[columns.can_id], 16) > HIGHEST_STANDARD_ID
        for row in rows
    )


def _data_base(columns: Columns, rows: Sequence[Sequence[str]]) -> int:
    """Bytes in cells of their own are decimal where one has three digits and none a letter."""
    if len(columns.data) == 1:
        return HEXADECIMAL
    cells = {row[at] for row in rows for at in columns.data if at < len(row)}
    if any(_HEX_LETTER.search(_bare(cell)) for cell in cells):
        return HEXADECIMAL
    three_digits = any(len(cell) == len("255") and cell.isdigit() for cell in cells)
    return DECIMAL if three_digits else HEXADECIMAL


def byte_words(text: str) -> list[str]:
    """Split a data cell into its bytes, blanks or other signs between them."""
    return _BETWEEN.split(text.strip(" []{}"))


def _has_short_byte(text: str) -> bool:
    """Tell whether a byte has one digit; the last one does not count, it may be cut."""
    return any(_ONE_DIGIT.fullmatch(word) for word in byte_words(text)[:-1])


def _unit_ns(times: list[str], sources: list[str], name: str, assumed: list[str]) -> int:
    texts = [text.replace(",", ".") for text in times]
    decimals = max((len(text.partition(".")[2]) for text in texts), default=0)
    if decimals >= _CERTAIN_DECIMALS:
        return UNITS_NS["s"]
    choices = ("s", "ms") if decimals else ("s", "ms", "us", "ns")
    shares = _shares(texts, sources, choices)
    units = [unit for unit in choices if shares.get(unit, 0.0) >= _SURE_SHARE]
    if len(units) != 1:
        units = [unit for unit in units or choices if _is_date(texts, UNITS_NS[unit])]
    if len(units) != 1:
        raise InputError(
            f"{name or 'the table'}: the unit of its times cannot be told from the header.",
            "Rename the time column to time_s, time_ms, time_us or time_ns.",
        )
    unit = units[0]
    if not decimals or unit != "s":
        assumed.append(f"the header gives no unit of time; the times fit {unit} only")
    return UNITS_NS[unit]


def _shares(texts: list[str], sources: list[str], units: Sequence[str]) -> dict[str, float]:
    """Share of the frames whose identifier repeats at a likely period, by unit."""
    seen: defaultdict[str, list[float]] = defaultdict(list)
    for text, source in zip(texts, sources, strict=True):
        with contextlib.suppress(ValueError):
            seen[source].append(float(text))
    often = [(len(st), _median_step(st)) for st in seen.values() if len(st) >= _FEWEST_STAMPS]
    total = sum(many for many, _ in often)
    shares = {}
    for unit in units:
        fitting = sum(many for many, period in often if _fits(period, unit))
        shares[unit] = fitting / total if total else 0.0
    return shares


def _fits(period: float, unit: str) -> bool:
    """Tell whether a period is a likely one in this unit."""
    if unit == "s" and not period:
        return True  # whole seconds: the same for several frames
    return _SHORTEST_PERIOD_NS < period * UNITS_NS[unit] <= _LONGEST_PERIOD_NS


def _median_step(stamps: list[float]) -> float:
    return statistics.median(abs(after - before) for before, after in pairwise(stamps))


def _is_date(texts: list[str], unit_ns: int) -> bool:
    first = next((ns for text in texts if (ns := time_text_ns(text, unit_ns=unit_ns))), 0)
    return EARLIEST_UTC_NS <= first < _LATEST_UTC_NS


def as_switch(text: str) -> bool | None:
    """Read a yes-or-no cell; None where it is neither."""
    word = text.strip().casefold()
    if word in {"1", "true", "yes", "y", "x", "t", "ext", "extended", "xtd", "eff", "29", "29bit"}:
        return True
    if word in {"0", "false", "no", "n", "", "f", "std", "standard", "sff", "11", "11bit", "-"}:
        return False
    return None


def clock_ns(day: str, text: str, *, month_first: bool = False) -> tuple[int, bool] | None:
    """Read a date and clock time.

    Parameters
    ----------
    day, text : str
        The date's cell, where it has one of its own, and the time's.
    month_first : bool
        How dates with slashes are meant.

    Returns
    -------
    time_ns : int
        Since 1970, in the time that the text is in; since midnight where it has no date.
    utc : bool
        Whether the zone was given.
    """
    both = f"{day} {text}".strip().replace("T", " ")
    clock = _CLOCK.search(both)
    if clock is None:
        return None
    try:
        start = _date(both, month_first=month_first)
    except ValueError:
        return None
    zone = _ZONE.search(both) if start else None
    hours, minutes, seconds = (int(clock[at]) for at in (1, 2, 3))
    if half := _HALF_OF_DAY.search(both):
        hours = hours % 12 + 12 * (half[1] in "pP")
    part = int((clock[4] or "0").ljust(9, "0"))
    whole = hours * 3600 + minutes * 60 + seconds
    if start is not None:
        whole += (start - _day(1970, 1, 1)) // timedelta(seconds=1)
    if zone is not None and zone[1] != "Z":
        sign = 1 if zone[1][0] == "+" else -1
        whole -= sign * (int(zone[1][1:3]) * 3600 + int(zone[1][-2:]) * 60)
    return whole * NS_PER_S + part, zone is not None


def _date(text: str, *, month_first: bool) -> datetime | None:
    if found := _DAY.search(text):
        return _day(int(found[1]), int(found[2]), int(found[3]))
    if found := _DAY_FIRST.search(text):
        return _day(int(found[3]), int(found[2]), int(found[1]))
    if found := _SLASHED.search(text):
        first, second, year = (int(found[at]) for at in (1, 2, 3))
        year += _CENTURY * (year < 100)  # noqa: PLR2004 - two digits
        return _day(year, first, second) if month_first else _day(year, second, first)
    return None


def _day(year: int, month: int, day: int) -> datetime:
    if year > _LATEST_YEAR:
        raise ValueError(year)
    return datetime(year, month, day, tzinfo=UTC)
