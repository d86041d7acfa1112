"""Lines of an ASC log, one at a time, by the whole grammar.

The shapes are those of the files that recorders and python-can write: classic frames, frames
of the ``CANFD`` event, error frames, and other events with a time stamp.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canassist.frames.error_codes import PROTOCOL_AND_BUS_ERROR, detail_of_code
from canassist.frames.frame_rows import (
    CLASSIC_BYTES,
    FD_BYTES,
    FD_LENGTHS,
    HIGHEST_ID,
    HIGHEST_STANDARD_ID,
    Frame,
)
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from canassist.model import ReadReport

HEX: Final = 16
DECIMAL: Final = 10

_STAMP: Final = r"\s*(?P<whole>\d{1,10})[.,](?P<part>\d{1,9})\s+"
_EVENT: Final = re.compile(_STAMP + r"(?P<rest>\S.*)")
_CLASSIC: Final = re.compile(
    r"(?P<channel>\d{1,3})\s+(?P<id>[0-9A-Fa-f]{1,10})(?P<ext>[xX]?)\s+(?P<dir>Rx|Tx|TxRq)\s+"
    r"(?P<kind>[drDR])(?:\s+(?P<code>[0-9A-Fa-f]{1,2})(?!\S))?(?P<data>(?:\s.*)?)"
)
_FD: Final = re.compile(
    r"CANFD\s+(?P<channel>\d{1,3})\s+(?P<dir>Rx|Tx|TxRq)\s+(?P<id>[0-9A-Fa-f]{1,10})(?P<ext>[xX]?)"
    r"\s+(?:(?P<symbol>[A-Za-z_]\w*)\s+)?(?P<brs>[01])\s+(?P<esi>[01])\s+"
    r"(?P<code>[0-9A-Fa-f]{1,2})\s+(?P<length>\d{1,2})(?P<data>(?:\s.*)?)"
)
_ERROR: Final = re.compile(
    r"(?:CANFD\s+)?(?P<channel>\d{1,3})\s+(?:(?:Rx|Tx)\s+)?ErrorFrame(?P<rest>.*)", re.IGNORECASE
)
_ECC: Final = re.compile(r"ECC:\s*([01]{8})\b")
# Cut short, or with a message's name where the identifier should be.
_LIKE_A_FRAME: Final = re.compile(
    r"CANFD\b.*|\d{1,3}(?:\s+[0-9A-Fa-f]{1,10}[xX]?(?:\s+[RT].*)?)?"
    r"|\d{1,3}\s+\w+\s+(?:Rx|Tx)\s+[drDR]\b.*"
)
_OVERRUN: Final = re.compile(r"\b(?:overrun|data lost|lost data|queue overflow)\b", re.IGNORECASE)
_HEADER: Final = re.compile(
    r"\s*(?:date\b|base\b|(?:no )?internal events|//|begin trigger|end trigger|\Z)", re.IGNORECASE
)

_FD_MARK: Final = 0x1000
_REMOTE_MARK: Final = 0x0010
_FLAGS_WORD: Final = 2  # behind the data: duration, bits, then the flags
_NS: Final = 10**9


@dataclass(frozen=True, slots=True)
class AscEvent:
    """What one line says.

    Attributes
    ----------
    time_ns : int
        As written: since the start, or since the line before.
    frame : Frame or None
        None for events that are no frame.
    damaged : bool
        The line has the beginning of a frame but not the whole of it.
    lost : bool
        The recorder says that it lost frames.
    """

    time_ns: int
    frame: Frame | None = None
    damaged: bool = False
    lost: bool = False


def is_header(line: str) -> bool:
    """Tell whether a line belongs to the header or is a comment."""
    return _HEADER.match(line) is not None


def read_event(line: str, base: int, report: ReadReport) -> AscEvent | None:
    """Read a line with a time stamp; None where it has none.

    Parameters
    ----------
    line : str
    base : int
        `HEX` or `DECIMAL`: how identifiers and data bytes are written.
    report : ReadReport
    """
    found = _EVENT.fullmatch(line)
    if found is None:
        return None
    time_ns = int(found["whole"]) * _NS + int(found["part"].ljust(9, "0"))
    rest = found["rest"].rstrip()
    for shape, read in ((_CLASSIC, _classic), (_FD, _fd), (_ERROR, _error)):
        if matched := shape.fullmatch(rest):
            if matched.groupdict().get("dir") == "TxRq":
                return AscEvent(time_ns)  # asked for, not yet on the bus
            frame = read(matched, time_ns, base, report)
            return AscEvent(time_ns, frame, damaged=frame is None)
    return AscEvent(
        time_ns,
        damaged=_LIKE_A_FRAME.fullmatch(rest) is not None,
        lost=_OVERRUN.search(rest) is not None,
    )


def _identifier(found: re.Match[str], base: int) -> tuple[int, FrameFlag] | None:
    try:
        can_id = int(found["id"], base)
    except ValueError:
        return None
    if found["ext"]:
        return (can_id, FrameFlag.EXTENDED) if can_id <= HIGHEST_ID else None
    return (can_id, FrameFlag(0)) if can_id <= HIGHEST_STANDARD_ID else None


def _bytes(text: str, count: int, base: int) -> bytes | None:
    words = text.split(None, count)[:count]
    try:
        data = bytes(int(word, base) for word in words)
    except ValueError:
        return None
    if len(data) < count or (base == HEX and any(len(word) != 2 for word in words)):  # noqa: PLR2004 - two digits
        return None
    return data


def _direction(found: re.Match[str]) -> FrameFlag:
    return FrameFlag.SENT if found["dir"] == "Tx" else FrameFlag(0)


def _classic(found: re.Match[str], time_ns: int, base: int, report: ReadReport) -> Frame | None:
    identifier = _identifier(found, base)
    if identifier is None:
        return None
    can_id, flags = identifier
    flags |= _direction(found)
    try:
        code = int(found["code"] or "0", base)
    except ValueError:
        return None
    if found["kind"] in "rR":
        flags |= FrameFlag.REMOTE
        length, data = min(code, CLASSIC_BYTES), b""
    else:
        if found["code"] is None or code > FD_BYTES:
            return None
        if code >= len(FD_LENGTHS):  # more than a length code: only FD carries so much
            flags |= FrameFlag.FD
            length = code
        else:
            length = min(code, CLASSIC_BYTES)
        found_data = _bytes(found["data"], length, base)
        if found_data is None:
            return None
        data = found_data
    return Frame(time_ns, report.bus_index(found["channel"]), can_id, int(flags), length, data)


def _fd(found: re.Match[str], time_ns: int, base: int, report: ReadReport) -> Frame | None:
    identifier = _identifier(found, base)
    length = int(found["length"])
    code = _length_code(found["code"])
    if identifier is None or length > FD_BYTES or code >= len(FD_LENGTHS):
        return None
    can_id, flags = identifier
    flags |= _direction(found)
    data = _bytes(found["data"], length, base)
    if data is None:
        return None
    marks = _marks(found["data"], length)
    is_fd = marks is None or bool(marks & _FD_MARK) or length > CLASSIC_BYTES
    if not is_fd and (marks or 0) & _REMOTE_MARK:
        flags |= FrameFlag.REMOTE
        length = min(code, CLASSIC_BYTES)
    if is_fd:
        flags |= FrameFlag.FD
        flags |= FrameFlag.BIT_RATE_SWITCH if found["brs"] == "1" else FrameFlag(0)
        flags |= FrameFlag.ERROR_STATE if found["esi"] == "1" else FrameFlag(0)
    return Frame(time_ns, report.bus_index(found["channel"]), can_id, int(flags), length, data)


def _length_code(text: str) -> int:
    """Read a length code: one hexadecimal digit, or two decimal ones as some recorders write it."""
    code = int(text, HEX)
    return int(text) if code >= len(FD_LENGTHS) and text.isdigit() else code


def _marks(text: str, length: int) -> int | None:
    """Return the flags behind the data, or None where the line has none."""
    behind = text.split()[length:]
    if len(behind) <= _FLAGS_WORD:
        return None
    try:
        return int(behind[_FLAGS_WORD], HEX)
    except ValueError:
        return None


def _error(found: re.Match[str], time_ns: int, base: int, report: ReadReport) -> Frame | None:
    bus = report.bus_index(found["channel"])
    capture = _ECC.search(found["rest"])
    if capture is None:
        return Frame(time_ns, bus, 0, int(FrameFlag.ERROR), 0)
    detail = detail_of_code(int(capture[1], 2))
    return Frame(time_ns, bus, PROTOCOL_AND_BUS_ERROR, int(FrameFlag.ERROR), len(detail), detail)
