"""A log that stands in for an interface: its frames come at the log's own speed, or faster."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final, NoReturn

import can

from canassist import frames
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from canassist.model import FrameBlock

_NS: Final = 1_000_000_000
_EARLY_S: Final = 0.0005
"""A frame due within half a millisecond is given at once: a pause cannot be shorter."""


class ReplayBus(can.BusABC):
    """Receives the frames of a log.

    Parameters
    ----------
    paths : sequence of Path
        Parts of one ride.
    speed : float
        How much faster than it was recorded.

    Attributes
    ----------
    at_end : bool
        Whether all frames were received.
    """

    def __init__(self, paths: Sequence[Path], *, speed: float = 1.0) -> None:
        self.channel_info = "replayed log"
        self.at_end = False
        self._messages = messages_of(frames.open_log(paths))
        self._speed = speed
        self._next: can.Message | None = None
        self._zero: tuple[float, float] | None = None
        super().__init__(channel="replay")

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self._next is None:
            self._next = next(self._messages, None)
        message = self._next
        if message is None:
            self.at_end = True
            return None, True
        wait_s = self._due(message) - time.monotonic()
        if timeout is not None and wait_s > timeout:
            time.sleep(timeout)
            return None, True
        if wait_s > _EARLY_S:
            time.sleep(wait_s)
        self._next = None
        return message, True

    def _due(self, message: can.Message) -> float:
        if self._zero is None:
            self._zero = (message.timestamp, time.monotonic())
        stamp, begun = self._zero
        return begun + (message.timestamp - stamp) / self._speed

    def send(self, msg: can.Message, timeout: float | None = None) -> NoReturn:
        """Refuse: nothing is ever sent."""
        raise can.CanOperationError("a replayed log takes no frames")


def messages_of(recording: frames.Recording, *, numbered: bool = False) -> Iterator[can.Message]:
    """Give the frames of a log one by one.

    Parameters
    ----------
    numbered : bool
        Whether a channel is its number, as some formats want it, and not its name.
    """
    for block in recording.blocks():
        names = recording.buses
        yield from _of_block(block, range(len(names)) if numbered else names)


def _of_block(block: FrameBlock, buses: Sequence[str | int]) -> Iterator[can.Message]:
    payload = dict(zip(block.payload_row.tolist(), block.payload, strict=True))
    columns = zip(
        block.time_ns.tolist(),
        block.bus.tolist(),
        block.can_id.tolist(),
        block.flags.tolist(),
        block.length.tolist(),
        strict=True,
    )
    for row, (time_ns, bus, can_id, flags, length) in enumerate(columns):
        data = payload.get(row)
        yield can.Message(
            timestamp=time_ns / _NS,
            arbitration_id=can_id,
            channel=buses[bus],
            dlc=length,
            data=None if data is None else data[:length].tobytes(),
            is_extended_id=bool(flags & FrameFlag.EXTENDED),
            is_remote_frame=bool(flags & FrameFlag.REMOTE),
            is_error_frame=bool(flags & FrameFlag.ERROR),
            is_fd=bool(flags & FrameFlag.FD),
            bitrate_switch=bool(flags & FrameFlag.BIT_RATE_SWITCH),
            error_state_indicator=bool(flags & FrameFlag.ERROR_STATE),
            is_rx=not flags & FrameFlag.SENT,
        )
