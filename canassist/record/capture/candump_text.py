"""Frames as lines of candump text (the grammar of can-utils, read by the candump reader)."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import can

ERROR_BIT: Final = 0x2000_0000
_EXTENDED_BITS: Final = 0x1FFF_FFFF
_STANDARD_BITS: Final = 0x7FF
LONGEST_BUS_WORD: Final = 32


@cache
def bus_word(name: str) -> str:
    """Return a bus's name as one word that a line can hold."""
    plain = "".join(letter if "!" <= letter <= "~" else "_" for letter in name)
    return plain[:LONGEST_BUS_WORD] or "bus"


def line_of(message: can.Message, bus: str, offset_s: float, *, keep_class: bool = True) -> str:
    """Return a frame's line.

    Parameters
    ----------
    message : can.Message
    bus : str
        Name of its bus in the log.
    offset_s : float
        Added to the interface's time stamp, s.
    keep_class : bool
        Whether an error frame's identifier tells its class.
    """
    stamp = f"({message.timestamp + offset_s:.6f}) {bus} "
    if message.is_error_frame:
        number = ERROR_BIT | (message.arbitration_id & _EXTENDED_BITS if keep_class else 0)
        text = f"{stamp}{number:08X}#{message.data.hex().upper()}"
    else:
        text = stamp + _frame(message)
    return text + "\n" if message.is_rx else text + " T\n"


def _frame(message: can.Message) -> str:
    if message.is_extended_id:
        number = f"{message.arbitration_id & _EXTENDED_BITS:08X}#"
    else:
        number = f"{message.arbitration_id & _STANDARD_BITS:03X}#"
    if message.is_remote_frame:
        return f"{number}R{message.dlc:X}" if message.dlc else f"{number}R"
    if message.is_fd:
        flags = bool(message.bitrate_switch) | bool(message.error_state_indicator) << 1
        return f"{number}#{flags:X}{message.data.hex().upper()}"
    return number + message.data.hex().upper()
