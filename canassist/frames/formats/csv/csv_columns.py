"""Which column of a plain CSV log is what, found by the names in its header line."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from canassist.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable

SEPARATORS: Final = (",", ";", "\t", "|")
MOST_PREAMBLE_LINES: Final = 200
_LONGEST_NAME: Final = 60

UNITS_NS: Final = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1000, "ns": 1}
_UNIT_SPELLINGS: Final = {
    "s": "s sec secs second seconds sekunden",
    "ms": "ms msec msecs millis millisecond milliseconds",
    "us": "us usec usecs micros microsecond microseconds µs μs",
    "ns": "ns nsec nsecs nanos nanosecond nanoseconds",
}
_UNIT: Final = {word: unit for unit, words in _UNIT_SPELLINGS.items() for word in words.split()}

# Spellings in use, with German and French ones; letters with accents are dropped before.
_NAMES: Final = {
    "time": "time timestamp timestamps timestmp ts t zeit zeitstempel abstime reltime "
    "reltimestamp timeoffset offset elapsed elapsedtime datetime timeabs timerel unixtime epoch "
    "timeofday systime temps",
    "date": "date datum",
    "id": "id canid arbitrationid arbid arbitration identifier messageid msgid frameid "
    "canidentifier canmsgid canmessageid address addr idhex hexid "
    "kennung identifikator identifiant",
    "data": "data databytes payload databyte hexdata datahex bytes candata framedata payloaddata "
    "daten nutzdaten datenbytes donnes donnees",
    "length": "len length dlc datalength datalen size datalengthcode payloadlength bytecount "
    "laenge lange lnge longueur",
    "extended": "extended ext ide isextended isextendedid extendedid xtd idextended eff isext",
    "bus": "bus channel chan chn ch interface iface network port buschannel canbus canchannel "
    "busid can source device kanal canal",
    "direction": "dir direction rxtx txrx way richtung",
    "sent": "tx issent istx sent transmitted",
    "received": "rx isrx received",
    "remote": "rtr remote isremote isremoteframe remoteframe",
    "error": "error err iserror iserrorframe errorframe",
    "fd": "fd edl fdf isfd canfd",
    "bit_rate_switch": "brs bitrateswitch",
    "error_state": "esi errorstate errorstateindicator",
    "kind": "type frametype msgtype messagetype format frameformat idtype",
}
_MEANING: Final = {word: kind for kind, words in _NAMES.items() for word in words.split()}
_BYTE_COLUMN: Final = re.compile(r"(?:d|b|db|byte|data|databyte|payload)(\d{1,2})")
_NEEDED: Final = {
    "time": "a time column (time, timestamp, time_us, ...)",
    "id": "an identifier column (id, can_id, arbitration_id, ...)",
    "data": "a data column (data, payload, ...) or one a byte (D0, D1, ...)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Where a line's cells are and what they hold.

    Attributes
    ----------
    separator : str
    time, can_id : int
        Which cell holds them, from 0.
    data : tuple of int
        One cell with all data bytes, or the cells of byte 0, 1, ...
    other : mapping of meaning to int
        Cells that not every log has: date, length, extended, bus, direction, sent, received,
        remote, error, fd, bit_rate_switch, error_state, kind.
    time_unit : str
        A key of `UNITS_NS`; empty where the header does not say.
    id_base, data_base : int
        16, 10, or 0 where the header does not say.
    """

    separator: str
    time: int
    can_id: int
    data: tuple[int, ...]
    other: dict[str, int] = field(default_factory=dict)
    time_unit: str = ""
    id_base: int = 0
    data_base: int = 0

    @property
    def last_needed(self) -> int:
        """Return the last cell that a line must have, data bytes left out."""
        single = self.data if len(self.data) == 1 else ()
        optional = [at for name, at in self.other.items() if name != "date"]
        return max(self.time, self.can_id, *single, *optional)


def split_cells(line: str, separator: str) -> list[str]:
    """Split one line into its cells, without quotes and blanks around them."""
    if '"' in line:
        try:
            cells = next(csv.reader([line], delimiter=separator), [])
        except csv.Error:
            cells = line.split(separator)
    else:
        cells = line.split(separator)
    return [cell.strip().strip("'\"") for cell in cells]


def find_columns(lines: Iterable[str]) -> tuple[Columns, int] | None:
    """Look for the header line.

    Parameters
    ----------
    lines : iterable of str
        The beginning of the file.

    Returns
    -------
    columns : Columns
    row : int
        Which line the header is.
    """
    for row, line in enumerate(lines):
        if row >= MOST_PREAMBLE_LINES:
            break
        for separator in SEPARATORS:
            if separator in line:
                columns = _columns_of(line, separator)
                if columns is not None:
                    return columns, row
    return None


def missing_columns(lines: Iterable[str], name: str) -> InputError:
    """Make the error for a table in which no header names all that is needed."""
    best: dict[str, list[int]] = {}
    for row, line in enumerate(lines):
        if row >= MOST_PREAMBLE_LINES:
            break
        for separator in SEPARATORS:
            found = _meanings(split_cells(line.lstrip("#; "), separator))[0]
            if len(found.keys() & _NEEDED.keys()) > len(best.keys() & _NEEDED.keys()):
                best = found
    lacking = [text for key, text in _NEEDED.items() if key not in best]
    return InputError(
        f"{name or 'the table'}: has no header line that names {' and '.join(lacking)}.",
        "Put a first line with the column names there, for example: time_s,id,data.",
    )


def _columns_of(line: str, separator: str) -> Columns | None:
    found, units, bases = _meanings(split_cells(line.lstrip("# "), separator))
    if not _NEEDED.keys() <= found.keys():
        return None
    time = found["time"][0]
    other = {name: places[0] for name, places in found.items() if name not in _NEEDED and places}
    return Columns(
        separator=separator,
        time=time,
        can_id=found["id"][0],
        data=tuple(found["data"]),
        other=other,
        time_unit=units.get(time, ""),
        id_base=bases.get(found["id"][0], 0),
        data_base=bases.get(found["data"][0], 0),
    )


def _meanings(
    names: list[str],
) -> tuple[dict[str, list[int]], dict[int, str], dict[int, int]]:
    """Tell what each column means, and its unit and number base where its name says."""
    found: dict[str, list[int]] = {}
    bytes_at: dict[int, int] = {}
    units: dict[int, str] = {}
    bases: dict[int, int] = {}
    for at, name in enumerate(names):
        word, unit, base = _read_name(name)
        if unit:
            units[at] = unit
        if base:
            bases[at] = base
        numbered = _BYTE_COLUMN.fullmatch(word)
        if numbered:
            bytes_at.setdefault(int(numbered[1]), at)
        elif meaning := _MEANING.get(word) or ("time" if unit and not word else ""):
            found.setdefault(meaning, []).append(at)
    byte_cells = _byte_cells(bytes_at)
    if byte_cells and "data" not in found:
        found["data"] = byte_cells
    elif "data" in found:
        found["data"] = found["data"][:1]
    return found, units, bases


def _byte_cells(place: dict[int, int]) -> list[int]:
    """Return the cells of bytes 0, 1, ... (or 1, 2, ...) as far as none is missing."""
    first = min(place, default=0)
    if first > 1:
        return []
    cells = []
    while first in place:
        cells.append(place[first])
        first += 1
    return cells


def _read_name(name: str) -> tuple[str, str, int]:
    """Split a column name into the bare word, the unit and the number base that it gives."""
    if len(name) > _LONGEST_NAME:
        return "", "", 0
    low = name.casefold().replace("µ", "u").replace("μ", "u")
    base = 16 if re.search(r"\bhex\b|_hex$|\bhexadecimal\b", low) else 0
    base = 10 if re.search(r"\bdec\b|_dec$|\bdecimal\b", low) else base
    parts = [part for part in re.split(r"[^a-z0-9]+", low) if part]
    parts = [part for part in parts if part not in {"hex", "dec", "hexadecimal", "decimal"}]
    unit = ""
    if parts and parts[-1] in _UNIT and (len(parts) > 1 or parts[0] not in _MEANING):
        unit = _UNIT[parts.pop()]
    word = "".join(parts)
    if not unit and word not in _MEANING:
        word, unit = _unit_at_end(word)
    return word, unit, base


def _unit_at_end(word: str) -> tuple[str, str]:
    """Split ``timeus`` or ``timestampms``."""
    for spelling, unit in sorted(_UNIT.items(), key=lambda pair: -len(pair[0])):
        stem = word.removesuffix(spelling)
        if stem != word and _MEANING.get(stem) == "time":
            return stem, unit
    return word, ""
