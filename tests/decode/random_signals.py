"""Random signals, as ours and as cantools', and what cantools makes of a payload."""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from cantools.database.can import Message, Signal
from cantools.database.conversion import BaseConversion

from canassist.decode import MessageLayout, SignalLayout
from canassist.decode.signals.extract import decode_signal
from tests.decode.hand_frames import column

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray

SCALES = (1, 2, 3, 0.1, 0.01, 0.125, 1 / 256, -1, -0.5, 1e-7, 1.0)
OFFSETS = (0, -40, 7, 0.5, -31.374, 1e6)
SIZES = (8, 64)
FLOATS = (16, 32, 64)
FREE = 4
"""One signal in four is a float."""


@dataclass(frozen=True)
class Pair:
    """One signal twice: in our layout and in the other library's."""

    ours: MessageLayout
    theirs: Message

    @property
    def signal(self) -> SignalLayout:
        return self.ours.signals[0]

    def our_values(self, payloads: list[bytes]) -> FloatArray:
        return decode_signal(column(1, payloads), self.ours, self.signal).value

    def their_values(self, payloads: list[bytes]) -> FloatArray:
        name = self.signal.name
        return np.array([plain(self.theirs, data)[name] for data in payloads])

    @property
    def is_exact(self) -> bool:
        """Whether the two must agree in every bit.

        With a whole scale and offset the other library computes in Python's unbounded
        integers; ours are as exact while the result fits into 64 bits.
        """
        signal = self.signal
        if signal.is_float or not isinstance(signal.scale, int):
            return True
        whole = int(signal.offset) if isinstance(signal.offset, int) else 0
        return bool(2**signal.length * abs(signal.scale) + abs(whole) < 2**63)


def plain(message: Message, data: bytes) -> dict[str, float]:
    """Return what cantools decodes, value tables left aside."""
    decoded = message.decode_simple(data, decode_choices=False)
    return {name: float(value) for name, value in decoded.items()}  # type: ignore[arg-type]  # no texts


def dice_of(seed: int) -> random.Random:
    """Return dice that always fall the same way."""
    return random.Random(seed)  # noqa: S311 - tests keep no secret


def random_pair(dice: random.Random) -> Pair:
    """Draw a signal: any start bit, length, order, sign, scale and offset."""
    size = dice.choice(SIZES)
    is_float = dice.randrange(FREE) == 0
    length = dice.choice(FLOATS) if is_float else dice.randint(1, 64)
    first = dice.randint(0, size * 8 - length)
    big_endian = dice.random() < 0.5
    start = first // 8 * 8 + 7 - first % 8 if big_endian else first
    return make_pair(
        size=size,
        start=start,
        length=length,
        big_endian=big_endian,
        signed=dice.random() < 0.5,
        is_float=is_float,
        scale=dice.choice(SCALES),
        offset=dice.choice(OFFSETS),
    )


def make_pair(
    *,
    size: int,
    start: int,
    length: int,
    big_endian: bool,
    signed: bool,
    is_float: bool,
    scale: float,
    offset: float,
) -> Pair:
    """Return one signal in both layouts."""
    conversion = BaseConversion.factory(scale=scale, offset=offset, is_float=is_float)
    theirs = Signal(
        name="S",
        start=start,
        length=length,
        byte_order="big_endian" if big_endian else "little_endian",
        is_signed=signed,
        conversion=conversion,
    )
    ours = SignalLayout(
        message="M",
        name="S",
        start=start,
        length=length,
        big_endian=big_endian,
        signed=signed,
        is_float=is_float,
        scale=conversion.scale,
        offset=conversion.offset,
    )
    return Pair(
        MessageLayout(name="M", key=1, length=size, signals=(ours,)),
        Message(frame_id=1, name="M", length=size, signals=[theirs], is_fd=size > 8, strict=True),
    )


def same_bits(ours: FloatArray, theirs: FloatArray) -> bool:
    """Compare in every bit; any two "not a number" are the same."""
    nan = np.isnan(ours) & np.isnan(theirs)
    return bool(
        np.all(nan | (ours.view(np.uint64) == theirs.view(np.uint64)) | _zeros(ours, theirs))
    )


def _zeros(ours: FloatArray, theirs: FloatArray) -> BoolArray:
    """Plus and minus zero are one value: which it is hangs on int against float arithmetic."""
    both: BoolArray = (ours == 0) & (theirs == 0)
    return both


def payloads(dice: random.Random, size: int, count: int) -> list[bytes]:
    """Draw payloads; the first two are all zeros and all ones."""
    drawn = [dice.randbytes(size) for _ in range(count - 2)]
    return [bytes(size), b"\xff" * size, *drawn]
