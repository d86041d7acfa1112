"""Error frames and losses of the recorder in a BLF file: few, so one at a time.

Types 2, 104, 125 and 126, and which error codes are valid, are from memory.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.error_codes import PROTOCOL_AND_BUS_ERROR, detail_of_code
from canassist.frames.frame_rows import Frame
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from canassist.frames.formats.blf.blf_chain import Objects
    from canassist.model import BoolArray, IntArray, ReadReport

CAN_ERROR: Final = 2
CAN_ERROR_EXT: Final = 73
CAN_FD_ERROR_64: Final = 104
DATA_LOST_BEGIN: Final = 125
DATA_LOST_END: Final = 126
ODD_KINDS: Final = (CAN_ERROR, CAN_ERROR_EXT, CAN_FD_ERROR_64, DATA_LOST_BEGIN, DATA_LOST_END)

_LOST: Final = struct.Struct("<IQI")  # queue, time of the first lost event, how many
_SIMPLE_ERROR: Final = struct.Struct("<H")  # channel
# channel, length, flags, error code, position, length code, frame length, identifier, flags, data
_ERROR_EXT: Final = struct.Struct("<HHIBBBxIIH2x8s")
# channel, length code, valid bytes, error code, flags
_FD_ERROR: Final = struct.Struct("<BBBBH")
_SHAPES: Final = {CAN_ERROR: _SIMPLE_ERROR, CAN_ERROR_EXT: _ERROR_EXT, CAN_FD_ERROR_64: _FD_ERROR}
_FLAGS_AT: Final = {CAN_ERROR_EXT: 2, CAN_FD_ERROR_64: 4}
_CODE_IS_VALID: Final = 1
_WORD: Final = 4


def read_odd(
    objects: Objects, rows: IntArray, times: tuple[IntArray, BoolArray], report: ReadReport
) -> tuple[list[Frame], IntArray]:
    """Read error frames, and take note of what the recorder lost.

    Parameters
    ----------
    objects : Objects
    rows : array of int64
        Which of them; their kind is one of `ODD_KINDS`.
    times : arrays of int64 and bool
        Their times in ns, and which of these are possible.
    report : ReadReport

    Returns
    -------
    frames : list of Frame
    at : array of int64
        Word at which each frame's object begins.
    """
    frames: list[Frame] = []
    at: list[int] = []
    raw = objects.words.view(np.uint8)
    for row, time_ns, good in zip(rows.tolist(), times[0].tolist(), times[1].tolist(), strict=True):
        word = int(objects.at[row])
        header = int(objects.words[word + 1]) & 0xFFFF
        begin = _WORD * word
        body = raw[begin + header : begin + int(objects.size[row])].tobytes()
        kind = int(objects.words[word + 3])
        if kind in (DATA_LOST_BEGIN, DATA_LOST_END):
            _take_note(kind, body, time_ns, report)
        elif not good:
            what = "an error frame with a time stamp beyond all bounds; skipped"
            report.add_problem(objects.where, what, skipped=1)
        elif frame := _error(kind, body, time_ns, report):
            frames.append(frame)
            at.append(word)
    return frames, np.array(at, dtype=np.int64)


def _take_note(kind: int, body: bytes, time_ns: int, report: ReadReport) -> None:
    report.recorder_losses_ns.append(time_ns)
    if kind == DATA_LOST_BEGIN:
        return
    count = f" ({_LOST.unpack_from(body)[2]} events)" if len(body) >= _LOST.size else ""
    report.add_problem(
        f"{time_ns / 1e9:.6f} s", f"the recorder says that it lost data{count}", grave=True
    )


def _error(kind: int, body: bytes, time_ns: int, report: ReadReport) -> Frame | None:
    """Turn an error object into an error frame as linux/can/error.h describes it."""
    shape = _SHAPES[kind]
    if len(body) < shape.size:
        report.add_problem(
            f"{time_ns / 1e9:.6f} s", "an error frame's object is too short", skipped=1
        )
        return None
    parts = shape.unpack_from(body)
    bus = report.bus_index(str(parts[0]))
    flags_at = _FLAGS_AT.get(kind)
    if flags_at is None or not parts[flags_at] & _CODE_IS_VALID:
        return Frame(time_ns, bus, 0, int(FrameFlag.ERROR), 0)
    detail = detail_of_code(parts[3])
    return Frame(time_ns, bus, PROTOCOL_AND_BUS_ERROR, int(FrameFlag.ERROR), len(detail), detail)
