"""Traffic of each bus while it is recorded: counts, rate, load, and a bit rate that is wrong."""

from __future__ import annotations

import time
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import can

STANDARD_BITS: Final = 47
EXTENDED_BITS: Final = 67
"""Bits of a frame besides its data, with the three bits to the next (ISO 11898-1), stuffing
left out."""
STUFFING: Final = 1.1
"""Stuff bits lengthen frames by about a tenth (common practice, no source); at most by a fifth."""
RATE_S: Final = 2.0
"""Rate and load are those of the last 2 s."""
SUSPICION_S: Final = 2.0
"""So long errors alone, or nothing at all, before the bit rate is suspected."""
_FEW_ERRORS: Final = 5


@dataclass(slots=True)
class BusTraffic:
    """What came on one bus so far."""

    name: str
    bit_rate: int | None = None
    frames: int = 0
    error_frames: int = 0
    lost: int = 0
    bits: int = 0
    ids: set[int] = field(default_factory=set)
    newest_s: float | None = None
    """Monotonic time of the newest frame that is no error frame."""
    fast_bits: bool = False
    """Whether data came at a second bit rate, so that the load is not known."""
    _begun_s: float = field(default_factory=time.monotonic)
    _past: deque[tuple[float, int, int, int]] = field(default_factory=deque)

    def count(self, message: can.Message) -> None:
        """Count one frame."""
        if message.is_error_frame:
            self.error_frames += 1
            return
        self.frames += 1
        self.ids.add(message.arbitration_id)
        head = EXTENDED_BITS if message.is_extended_id else STANDARD_BITS
        self.bits += head + 8 * len(message.data)
        if message.bitrate_switch:
            self.fast_bits = True

    def tick(self, now_s: float) -> None:
        """Remember the counts of this moment, for rate and load."""
        self._past.append((now_s, self.frames, self.bits, self.error_frames))
        while len(self._past) > 1 and now_s - self._past[1][0] >= RATE_S:
            self._past.popleft()

    def rate(self) -> float:
        """Return frames a second, of late."""
        return self._of_late(1)

    def error_rate(self) -> float:
        """Return error frames a second, of late."""
        return self._of_late(3)

    def load(self) -> float | None:
        """Return the share of the bus's capacity in use, of late; None where it is not known."""
        if self.bit_rate is None or self.fast_bits:
            return None
        return self._of_late(2) * STUFFING / self.bit_rate

    def _of_late(self, column: int) -> float:
        if len(self._past) < 2:  # noqa: PLR2004 - two points make a rate
            return 0.0
        first, last = self._past[0], self._past[-1]
        passed = last[0] - first[0]
        return (last[column] - first[column]) / passed if passed > 0 else 0.0

    def suspicion(self, now_s: float) -> str:
        """Return what is odd about the bus, and what to do; "" where nothing is."""
        if now_s - self._begun_s < SUSPICION_S:
            return ""
        silent_s = now_s - (self._begun_s if self.newest_s is None else self.newest_s)
        rate = "" if self.bit_rate is None else f" ({self.bit_rate // 1000} kbit/s given)"
        errors = self.error_frames if self.newest_s is None else self.error_rate() * RATE_S
        if silent_s >= SUSPICION_S and errors >= _FEW_ERRORS:
            return (
                f"{self.name}: only errors, no frame. The bit rate is wrong{rate}: end and try"
                " another --bitrate (250000, 500000, 125000, 1000000), or the wires are swapped."
            )
        if silent_s >= SUSPICION_S and self.newest_s is None:
            return (
                f"{self.name}: nothing comes. Key on? Plugged in? Right bit rate{rate}?"
                " Some interfaces do not report errors."
            )
        return ""
