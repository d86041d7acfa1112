"""The error code that a common CAN controller captures, in the terms of linux/can/error.h.

Its two top bits are the kind of error, the next one the direction, and the low five the place
in the frame, for which linux/can/error.h has the same numbers. From memory.
"""

from __future__ import annotations

from typing import Final

PROTOCOL_AND_BUS_ERROR: Final = 0x88
"""Class bits: protocol violation, bus error."""

_KINDS: Final = (0x01, 0x02, 0x04, 0x00)  # one bit wrong, form, stuffing, other
_PLACE: Final = 0x1F


def detail_of_code(code: int) -> bytes:
    """Return the eight detail bytes of an error frame: kind in the third, place in the fourth."""
    return bytes([0, 0, _KINDS[code >> 6], code & _PLACE, 0, 0, 0, 0])
