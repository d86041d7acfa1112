"""An interface that stands in for a real one: plugged into python-can as a maker's would be.

What it does is said by ``STANDIN_<CHANNEL>`` in the environment, as JSON:

``rate``: frames a second; ``burst``: frames a second in the first half second of each 5 s;
``queue``: frames that wait at most, the rest is lost and counted; ``die_s`` and ``back_s``:
when it is unplugged and how long it stays so; ``errors``: whether nothing but error frames
comes; ``silent``: whether nothing comes; ``fd``: whether its frames are CAN FD with 64 bytes;
``zero``: time stamps count from here, not from 1970.

A call of `send` is written into the file ``STANDIN_SENT``; how it was opened into
``STANDIN_OPENED``.
"""

from __future__ import annotations

import json
import os
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NoReturn

import can

BURST_EVERY_S = 5.0
BURST_S = 0.5
_BEGUN: dict[str, float] = {}


class StandInBus(can.BusABC):
    """One channel of the interface."""

    def __init__(
        self, channel: str, bitrate: int | None = None, listen_only: bool = False, **others: object
    ) -> None:
        self.setting = json.loads(os.environ.get(f"STANDIN_{channel.upper()}", "{}"))
        _note("STANDIN_OPENED", {"channel": channel, "bitrate": bitrate, "listen": listen_only})
        self.channel_info = channel
        self.name = channel
        begun = _BEGUN.setdefault(channel, time.time())
        self.begun = begun
        dies = self.setting.get("die_s")
        back = begun + dies + self.setting.get("back_s", 1e9) if dies is not None else 0.0
        if dies is not None and begun + dies <= time.time() < back:
            raise can.CanInitializationError("no such device")
        self.dies_at = begun + dies if dies is not None and time.time() < begun + dies else None
        self.number = self._number_at(time.time() - begun)
        self.overruns = 0
        super().__init__(channel=channel)

    def get_stats(self) -> SimpleNamespace:
        return SimpleNamespace(overruns=self.overruns)

    def _number_at(self, passed_s: float) -> int:
        """Return how many frames are due after so many seconds."""
        rate, burst = self.setting.get("rate", 1000), self.setting.get("burst", 0)
        if not burst:
            return int(passed_s * rate)
        each = BURST_S * burst + (BURST_EVERY_S - BURST_S) * rate
        rounds, rest = divmod(passed_s, BURST_EVERY_S)
        in_burst = min(rest, BURST_S)
        return int(rounds * each + in_burst * burst + (rest - in_burst) * rate)

    def due_s(self, number: int) -> float:
        """Return when a frame is due, s after the start."""
        rate, burst = self.setting.get("rate", 1000), self.setting.get("burst", 0)
        if not burst:
            return number / rate
        each = BURST_S * burst + (BURST_EVERY_S - BURST_S) * rate
        rounds, rest = divmod(number, each)
        fast = min(rest, BURST_S * burst)
        return rounds * BURST_EVERY_S + fast / burst + (rest - fast) / rate

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self.setting.get("silent"):
            time.sleep(timeout or 0.0)
            return None, True
        now = time.time()
        if self.dies_at is not None and now >= self.dies_at:
            raise can.CanOperationError("the device is gone")
        self._overrun(now)
        due = self.begun + self.due_s(self.number)
        if due > now:
            time.sleep(min(due - now, timeout if timeout is not None else due - now))
            if due > time.time():
                return None, True
        message = self._message(self.number, due)
        self.number += 1
        return message, True

    def _overrun(self, now: float) -> None:
        depth = self.setting.get("queue")
        if depth is None:
            return
        waiting = self._number_at(now - self.begun) - self.number
        if waiting > depth:
            self.overruns += waiting - depth
            self.number += waiting - depth

    def _message(self, number: int, due: float) -> can.Message:
        stamp = due - self.begun + self.setting["zero"] if "zero" in self.setting else due
        if self.setting.get("errors"):
            return can.Message(
                timestamp=stamp, is_error_frame=True, arbitration_id=0x8, data=bytes(8)
            )
        is_fd = bool(self.setting.get("fd"))
        return can.Message(
            timestamp=stamp,
            arbitration_id=0x100 + number % 16,
            is_extended_id=False,
            data=number.to_bytes(64 if is_fd else 8, "big"),
            channel=self.name,
            is_fd=is_fd,
            bitrate_switch=is_fd,
        )

    def send(self, msg: can.Message, timeout: float | None = None) -> NoReturn:
        _note("STANDIN_SENT", {"id": msg.arbitration_id})
        raise AssertionError("a recorder sent a frame")


def _note(variable: str, what: dict[str, Any]) -> None:
    path = os.environ.get(variable)
    if path:
        with Path(path).open("a", encoding="utf-8") as file:
            file.write(json.dumps(what) + "\n")
