"""Dates in the header of an ASC log, in the spellings of many languages."""

from __future__ import annotations

import re
import unicodedata
from datetime import datetime
from typing import Final

# The first letters of month names in English, German, French, Italian, Spanish, Portuguese,
# Dutch, Swedish and Polish; from memory, common practice.
_MONTHS: Final = (
    ("jan", "gen", "ene", "sty"),
    ("feb", "fev", "lut"),
    ("mar", "mrz", "maa", "mrt"),
    ("apr", "avr", "abr", "kwi"),
    ("may", "mai", "mag", "mei", "maj"),
    ("jun", "juin", "giu", "cze"),
    ("jul", "juil", "lug", "lip"),
    ("aug", "aou", "ago", "sie"),
    ("sep", "set", "wrz"),
    ("oct", "okt", "ott", "out", "paz"),
    ("nov", "lis"),
    ("dec", "dez", "dic", "des", "gru"),
)
_MONTH_OF: Final = {name: at + 1 for at, names in enumerate(_MONTHS) for name in names}

_TIME: Final = re.compile(
    r"(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,:](\d{1,9}))?)?\s*([ap])?\.?(?:m\.?)?(?![a-z0-9])"
)
_ISO: Final = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})")
_DOTTED: Final = re.compile(r"(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4})")
_SLASHED: Final = re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4})")
_YEAR: Final = re.compile(r"(?<!\d)(\d{4})(?!\d)")
_DAY: Final = re.compile(r"(?<!\d)(\d{1,2})(?!\d)")
_WORD: Final = re.compile(r"[a-z]{3,}")
_LAST_MONTH: Final = 12
_NOON: Final = 12
_MILLISECOND_DIGITS: Final = 3


def read_date(text: str) -> datetime | None:
    """Read a date with its time of day; None where it is unclear.

    ``Sam Sep 30 15:06:13.191 2017``, ``Sat Sep 30 10:06:13.191 PM 2017``,
    ``30.09.2017 15:06:13`` and ``2017-09-30 15:06:13`` are read. In ``3/4/2017`` day and
    month cannot be told apart, so there is no answer.
    """
    plain = _plain(_as_written(text))
    clock = _TIME.search(plain)
    if clock is None:
        return None
    date = plain[: clock.start()] + " " + plain[clock.end() :]
    day = _day(date)
    of_day = _of_day(clock, in_words=_WORD.search(date) is not None)
    if day is None or of_day is None:
        return None
    try:
        return datetime(*day, *of_day)
    except ValueError:
        return None


def _as_written(text: str) -> str:
    """Undo what reading UTF-8 byte by byte makes of a month such as ``Mär``."""
    try:
        return text.encode("latin-1").decode("utf-8")
    except UnicodeError:
        return text


def _plain(text: str) -> str:
    spread = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter for letter in spread if not unicodedata.combining(letter))


def _of_day(found: re.Match[str], *, in_words: bool) -> tuple[int, int, int, int] | None:
    hour, minute, second = int(found[1]), int(found[2]), int(found[3] or 0)
    if found[5]:
        if not 1 <= hour <= _NOON:
            return None
        hour = hour % _NOON + (_NOON if found[5] == "p" else 0)
    return hour, minute, second, _microseconds(found[4] or "0", in_words=in_words)


def _microseconds(digits: str, *, in_words: bool) -> int:
    """Read what stands behind a second.

    A date in words gives milliseconds; python-can's writer leaves out their leading zeros.
    """
    if in_words and len(digits) < _MILLISECOND_DIGITS:
        return int(digits) * 1000
    return int(digits.ljust(6, "0")[:6])


def _day(text: str) -> tuple[int, int, int] | None:
    if found := _ISO.search(text):
        return int(found[1]), int(found[2]), int(found[3])
    if found := _DOTTED.search(text):
        return int(found[3]), int(found[2]), int(found[1])
    if found := _SLASHED.search(text):
        return _slashed(int(found[1]), int(found[2]), int(found[3]))
    return _named(text)


def _slashed(first: int, second: int, year: int) -> tuple[int, int, int] | None:
    if first > _LAST_MONTH:
        return year, second, first
    if second > _LAST_MONTH or first == second:
        return year, first, second
    return None


def _named(text: str) -> tuple[int, int, int] | None:
    months = [month for word in _WORD.findall(text) if (month := _month(word))]
    year = _YEAR.search(text)
    if not months or year is None:
        return None
    day = _DAY.search(text[: year.start()] + " " + text[year.end() :])
    # a weekday may look like a month ("mar" is a Tuesday in French), and stands before it
    return None if day is None else (int(year[1]), months[-1], int(day[1]))


def _month(word: str) -> int | None:
    return _MONTH_OF.get(word[:4]) or _MONTH_OF.get(word[:3])
