"""A made-up log for measuring the readers: 39 identifiers, about one frame in six known."""

from __future__ import annotations

import gzip
import shutil
from pathlib import Path
from typing import NamedTuple

import can
import numpy as np
from numpy.typing import NDArray

RATE = 1900
"""Frames a second of all identifiers together."""
EXTENDED = 0x8000_0000
START_S = 1_700_000_000

DATABASE = """VERSION ""
BU_: A
BO_ 256 Motion: 8 A
 SG_ Speed : 0|16@1+ (0.01,0) [0|0] "km/h" A
 SG_ Revs : 23|16@0+ (0.25,0) [0|0] "rpm" A
BO_ 272 Steer: 8 A
 SG_ Torque : 0|12@1- (0.01,0) [0|0] "Nm" A
 SG_ Angle : 23|16@0- (0.1,0) [0|0] "deg" A
BO_ 288 Supply: 8 A
 SG_ Voltage : 0|10@1+ (0.02,0) [0|0] "V" A
 SG_ Current : 16|16@1- (0.05,0) [0|0] "A" A
BO_ 304 Heat: 8 A
 SG_ Inside : 0|8@1+ (1,-40) [0|0] "degC" A
BO_ 320 Paged: 8 A
 SG_ Page M : 0|2@1+ (1,0) [0|0] "" A
 SG_ First m0 : 8|16@1+ (0.1,0) [0|0] "" A
 SG_ Second m1 : 8|16@1- (0.1,0) [0|0] "" A
BO_ 2566722816 State: 8 A
 SG_ Mode : 4|3@1+ (1,0) [0|0] "" A
"""
_KNOWN = (0x100, 0x110, 0x120, 0x130, 0x140, 0x18FD0900 | EXTENDED)
_KNOWN_SHARE = 0.158
_SHORT = {7: 2, 8: 3, 9: 4, 10: 6}  # by place in the list of identifiers


class Frames(NamedTuple):
    """The frames as columns."""

    time_us: NDArray[np.int64]
    key: NDArray[np.int64]
    length: NDArray[np.int64]
    data: NDArray[np.uint8]


def draw(count: int) -> Frames:
    """Draw the log; the same every time."""
    dice = np.random.default_rng(20)
    others = [0x200 + 7 * n for n in range(31)] + [0x0CF00400 | EXTENDED, 0x18FEF100 | EXTENDED]
    keys = np.array([*_KNOWN, *others], dtype=np.int64)
    share = np.full(len(keys), (1 - _KNOWN_SHARE) / len(others))
    share[: len(_KNOWN)] = _KNOWN_SHARE / len(_KNOWN)
    pick = dice.choice(len(keys), count, p=share)
    lengths = np.full(len(keys), 8)
    for place, length in _SHORT.items():
        lengths[place] = length
    data = _payloads(pick, len(keys), dice)
    data[pick == _KNOWN.index(0x140), 0] &= 1  # only pages that exist
    time_us = START_S * 1_000_000 + (np.arange(count) * 1_000_000) // RATE
    time_us += dice.integers(0, 200, count)
    time_us.sort()
    return Frames(time_us, keys[pick], lengths[pick], data)


def _payloads(
    pick: NDArray[np.int64], sources: int, dice: np.random.Generator
) -> NDArray[np.uint8]:
    """Fill each identifier's frames as units do: values that wander, constants, a counter."""
    data = np.empty((len(pick), 8), dtype=np.uint8)
    for source in range(sources):
        rows = np.flatnonzero(pick == source)
        wander = np.cumsum(dice.integers(-3, 4, (len(rows), 2)), axis=0) + 0x4000
        data[rows] = dice.integers(0, 256, 8)
        data[rows, 0:4] = wander.astype(">u2").view(np.uint8).reshape(len(rows), 4)
        data[rows, 7] = np.arange(len(rows)) % 16
    return data


def _identifier(key: int) -> str:
    return f"{key & ~EXTENDED:08X}" if key & EXTENDED else f"{key:03X}"


def write_candump(frames: Frames, path: Path) -> None:
    """Write the compact listing."""
    columns = zip(*(column.tolist() for column in frames[:3]), frames.data, strict=True)
    with path.open("w", encoding="ascii", newline="\n") as log:
        for time_us, key, length, data in columns:
            second, rest = divmod(time_us, 1_000_000)
            text = data[:length].tobytes().hex().upper()
            log.write(f"({second}.{rest:06d}) can0 {_identifier(key)}#{text}\n")


def write_by_python_can(frames: Frames, path: Path) -> None:
    """Write whatever format the ending stands for."""
    columns = zip(*(column.tolist() for column in frames[:3]), frames.data, strict=True)
    with can.Logger(str(path)) as log:
        for time_us, key, length, data in columns:
            log.on_message_received(
                can.Message(
                    timestamp=time_us / 1e6,
                    arbitration_id=key & ~EXTENDED,
                    is_extended_id=bool(key & EXTENDED),
                    data=data[:length].tobytes(),
                    channel=0,
                )
            )


def write_log(frames: Frames, path: Path) -> None:
    """Write one format, by the ending of `path`."""
    if path.suffix == ".log":
        write_candump(frames, path)
    elif path.suffix == ".gz":
        with path.with_suffix("").open("rb") as plain, gzip.open(path, "wb", 6) as packed:
            shutil.copyfileobj(plain, packed)
    elif path.suffix == ".mf4":
        from mf4_log import write_mf4  # noqa: PLC0415 - asammdf takes most of a second

        write_mf4(frames, path)
    else:
        write_by_python_can(frames, path)
