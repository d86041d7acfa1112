"""Logs of many formats, some damaged, with what screening must say of each.

The frames are the simulator's; their number, duration, start, vehicle and fault are known
from there. python-can writes what it can; the rest is written here.
"""

from __future__ import annotations

import gzip
import io
import lzma
import struct
import zipfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from itertools import cycle
from pathlib import Path
from typing import Final

import can

from canassist.demo.bus.frame_table import FrameTable
from canassist.demo.bus.writers import candump_lines
from tests.screen.fleets import Fleet, empty_fleet, ride_of

FIRST_DAY: Final = datetime(2025, 11, 3, 8, 30, tzinfo=UTC)
ANSWERS: Final = {
    "mixed": "no_fault_found",
    "path_resistance": "supply_resistance",
    "not_charging": "charging_fault",
    "offset_right": "torque_sensor_offset",
    "hot": "thermal_protection",
    "speed_stops": "speed_signal_fault",
}
_MICROSECOND: Final = timedelta(microseconds=1)
LOCAL: Final = (".blf", ".asc", ".asc.gz", ".trc", ".mf4")
"""Formats whose files name no time zone."""
DAMAGED_SHARE: Final = 33
"""Every so many-th log is damaged: 3 %."""


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What a log's row must say; `damage` names what was done to the file."""

    vehicle: str
    code: str
    frames: int
    duration_s: float
    start: datetime
    local: bool
    damage: str = ""


@dataclass(frozen=True)
class Mixed:
    """The fleet, and the truth by the path of each log below it."""

    fleet: Fleet
    truth: dict[str, Truth] = field(default_factory=dict)


@dataclass
class Ride:
    """One simulated ride, written in any format at any start; slow writers write it once."""

    frames: FrameTable

    def write(self, ending: str, start: datetime) -> bytes:
        """Return it as a log of a format."""
        start_us = round(start.timestamp() * 1_000_000)
        lines = candump_lines(self.frames, start_us) if ending in _PACKERS else b""
        if ending in _PACKERS:
            return _PACKERS[ending](lines)
        return {
            ".blf": self._blf,
            ".asc": self._asc,
            ".asc.gz": lambda when: gzip.compress(self._asc(when), 1),
            ".trc": self._trc,
            ".csv": self._csv,
            ".mf4": self._mf4,
        }[ending](start)

    def _messages(self, start_s: float = 0.0) -> Iterator[can.Message]:
        table = self.frames
        for row in range(len(table)):
            yield can.Message(
                timestamp=start_s + float(table.time_us[row]) / 1e6,
                arbitration_id=int(table.can_id[row]),
                is_extended_id=bool(table.extended[row]),
                channel=int(table.bus[row]),
                data=bytes(table.payload[row, : table.length[row]]),
            )

    def _text(
        self, writer: Callable[[io.TextIOWrapper], can.Listener], start_s: float = 0.0
    ) -> str:
        whole = io.BytesIO()
        whole.name = "ride"  # the TRC writer asks for it
        text = io.TextIOWrapper(whole, "ascii")
        listener = writer(text)
        for message in self._messages(start_s):
            listener.on_message_received(message)
        text.flush()
        return whole.getvalue().decode("ascii")

    @cached_property
    def _blf_once(self) -> bytes:
        whole = io.BytesIO()
        whole.close = lambda: None  # type: ignore[method-assign]  # stop() would drop the bytes
        writer = can.BLFWriter(whole, compression_level=1)
        for message in self._messages(FIRST_DAY.timestamp()):
            writer.on_message_received(message)
        writer.stop()
        return whole.getvalue()

    def _blf(self, start: datetime) -> bytes:
        """Date the file anew: SYSTEMTIME at byte 40 of its header."""
        day = (start.year, start.month, start.isoweekday() % 7, start.day)
        stamp = struct.pack("<8H", *day, start.hour, start.minute, start.second, 0)
        return self._blf_once[:40] + stamp + self._blf_once[56:]

    @cached_property
    def _asc_lines(self) -> list[str]:
        return self._text(can.ASCWriter).split("\n")

    def _asc(self, start: datetime) -> bytes:
        day = f"{start:%a %b %d %H:%M:%S}.000 {start:%Y}"
        lines = list(self._asc_lines)
        lines[0] = f"date {day}"
        block = next(k for k, line in enumerate(lines) if line.startswith("Begin Triggerblock"))
        lines[block] = f"Begin Triggerblock {day}"
        return "\n".join(lines).encode()

    @cached_property
    def _trc_lines(self) -> list[str]:
        return self._text(can.TRCWriter).split("\n")

    def _trc(self, start: datetime) -> bytes:
        days = (start.replace(tzinfo=None) - datetime(1899, 12, 30)) / timedelta(days=1)
        lines = list(self._trc_lines)
        at = next(k for k, line in enumerate(lines) if line.startswith(";$STARTTIME"))
        lines[at] = f";$STARTTIME={days:.10f}"
        return "\n".join(lines).encode()

    def _csv(self, start: datetime) -> bytes:
        return self._text(can.CSVWriter, start.timestamp()).encode()

    @cached_property
    def _mf4_once(self) -> bytes:
        whole = io.BytesIO()
        writer = can.MF4Writer(whole)
        for message in self._messages(FIRST_DAY.timestamp()):
            writer.on_message_received(message)
        with suppress(ValueError):  # it closes what it wrote into
            whole.close = lambda: None  # type: ignore[method-assign]  # stop() would drop the bytes
        writer.stop()
        return whole.getvalue()

    def _mf4(self, start: datetime) -> bytes:
        """Date the file anew: nanoseconds since 1970 at byte 136, in its HD block.

        The writer counts frames from the moment at which it was made, so this moves.
        """
        (made_ns,) = struct.unpack_from("<q", self._mf4_once, 136)
        stamp = struct.pack("<q", made_ns + (start - FIRST_DAY) // _MICROSECOND * 1000)
        return self._mf4_once[:136] + stamp + self._mf4_once[144:]


def _zipped(lines: bytes) -> bytes:
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("ride.log", lines)
    return whole.getvalue()


_PACKERS: Final[dict[str, Callable[[bytes], bytes]]] = {
    ".log": bytes,
    ".log.gz": lambda lines: gzip.compress(lines, 1, mtime=0),
    ".log.xz": lambda lines: lzma.compress(lines, preset=0),
    ".zip": _zipped,
}


def _cut(content: bytes) -> bytes:
    return content[: len(content) * 3 // 5 - 7]


def _garbage(content: bytes) -> bytes:
    middle = len(content) // 2
    return content[:middle] + bytes(range(256)) * 16 + content[middle + 4096 :]


def _broken_packing(content: bytes) -> bytes:
    return gzip.compress(content)[:20] + b"\xff" * 64


DAMAGES: Final[dict[str, tuple[str, Callable[[bytes], bytes]]]] = {
    "cut.blf": (".blf", _cut),
    "cut.log.gz": (".log.gz", _cut),
    "cut.log": (".log", _cut),
    "garbage.blf": (".blf", _garbage),
    "garbage.asc": (".asc", _garbage),
    "garbage.log.gz": (".log.gz", _garbage),
    "packing.log.gz": (".log", _broken_packing),
    "no_frame.asc": (".asc", lambda content: content[:120]),
    "no_frame.trc": (".trc", lambda content: content[:90]),
    "text.log": (".log", lambda _: b"Notes of the day: steering heavy near the creek.\n"),
    "empty.blf": (".blf", lambda _: b""),
}
"""What is done to a file of which format, by the name that it gets."""


def write_mixed(
    folder: Path, count: int, rides: tuple[str, ...], endings: tuple[str, ...]
) -> Mixed:
    """Write logs of every ride in every format in turn, every 33rd one damaged."""
    mixed = Mixed(empty_fleet(folder))
    drawn = {name: Ride(ride_of(name, seed)) for seed, name in enumerate(rides)}
    damages = cycle(DAMAGES.items())
    for number in range(count):
        name, ending = rides[number % len(rides)], endings[number // len(rides) % len(endings)]
        start = FIRST_DAY + timedelta(hours=7 * number)
        home = mixed.fleet.logs / f"{name}_{number // len(rides) % 7}"
        home.mkdir(exist_ok=True)
        table = drawn[name].frames
        truth = Truth(
            vehicle=home.name,
            code=ANSWERS[name],
            frames=len(table),
            duration_s=float(table.time_us[-1] - table.time_us[0]) / 1e6,
            start=start,
            local=ending in LOCAL,
        )
        path = home / f"ride{number:04d}{ending}"
        if number % DAMAGED_SHARE == DAMAGED_SHARE - 1:
            damage, (ending, spoil) = next(damages)
            path = home / f"{number:04d}_{damage}"
            path.write_bytes(spoil(drawn[name].write(ending, start)))
            truth = replace(truth, damage=damage)
        else:
            path.write_bytes(drawn[name].write(ending, start))
        mixed.truth[path.relative_to(mixed.fleet.logs).as_posix()] = truth
    return mixed
