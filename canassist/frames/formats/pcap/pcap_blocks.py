"""Blocks of a pcapng capture."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.frames.formats.pcap.pcap_frames import LINKS, Packets, frames_of, growing_windows
from canassist.frames.frame_rows import empty_block, merged
from canassist.frames.text.digits import FRONT, LARGEST_NS, NS_PER_S, padded, windows
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.frames.base import ReadRequest
    from canassist.frames.text.digits import WordArray
    from canassist.model import BoolArray, ByteArray, FrameBlock, IntArray, ReadReport

NG_MAGIC: Final = b"\x0a\x0d\x0d\x0a"
_SECTION: Final = 0x0A0D_0D0A
_INTERFACE: Final = 1
_OLD_PACKET: Final = 2
_STATISTICS: Final = 5
_PACKET: Final = 6
_KNOWN: Final = (_SECTION, _INTERFACE, _OLD_PACKET, 3, 4, _STATISTICS, _PACKET, 10, 0xBAD)
_ORDER_MAGIC: Final = {b"\x1a\x2b\x3c\x4d": ">", b"\x4d\x3c\x2b\x1a": "<"}

_SMALLEST_BLOCK: Final = 12
_LARGEST_BLOCK: Final = 1 << 24
_LARGEST_FRAME_BLOCK: Final = 1024  # of one frame with its options; used after damage only
_PACKET_HEADER_BYTES: Final = 28
_MOST_INTERFACES: Final = 1024  # of all sections
_U = np.uint64
_HALF_WORD: Final = 32
_NANO: Final = 9  # decimal places
_BINARY: Final = 0x80

_OPTION_NAME: Final = 2
_OPTION_RESOLUTION: Final = 9
_OPTION_OFFSET: Final = 14
_OPTION_FLAGS: Final = 2
_OPTION_DROPS: Final = 4
_STATISTICS_DROPS: Final = (5, 7)
_OUTBOUND: Final = 2


@dataclass(frozen=True, slots=True)
class _Interface:
    """What a section says of one interface.

    Attributes
    ----------
    link, bus : int
    resolution : int
        Length of a tick: a power of ten, or of two where the highest bit is set.
    offset_s : int
        Added to every time stamp.
    big : bool
        Whether numbers have their highest byte first.
    """

    link: int
    bus: int
    resolution: int
    offset_s: int
    big: bool

    def time_ns(self, ticks: WordArray) -> tuple[IntArray, BoolArray]:
        """Turn time stamps into nanoseconds, rounded down; also tell which make sense."""
        power = self.resolution & ~_BINARY
        if self.resolution & _BINARY:
            whole, part = _binary_seconds(ticks, min(power, 63))
        else:
            per_second = _U(10 ** min(power, 19))
            whole = ticks // per_second
            part = _scaled(ticks % per_second, power)
        seconds = np.minimum(whole, _U(1 << 40)).astype(np.int64) + self.offset_s
        fine = np.abs(seconds) < LARGEST_NS // NS_PER_S
        return np.where(fine, seconds, 0) * NS_PER_S + part.astype(np.int64), fine


def _binary_seconds(ticks: WordArray, power: int) -> tuple[WordArray, WordArray]:
    whole = ticks >> _U(power)
    part = ticks & _U((1 << power) - 1)
    if power > _HALF_WORD:  # finer than a nanosecond; the product must fit
        part, power = part >> _U(power - _HALF_WORD), _HALF_WORD
    return whole, (part * _U(NS_PER_S)) >> _U(power)


def _scaled(part: WordArray, power: int) -> WordArray:
    """Turn 10**-power seconds, less than one second in all, into nanoseconds."""
    if power <= _NANO:
        return part * _U(10 ** (_NANO - power))
    return part // _U(10 ** (min(power, 19) - _NANO))


class _Run(NamedTuple):
    """Packets of one size, one behind the other: where they are, and how they are to be read."""

    at: int
    size: int
    many: int
    section: int
    old: bool
    big: bool


class _Found(NamedTuple):
    """Packets, and which interface each came by."""

    interface: IntArray
    packets: Packets


class NgFile:
    """Reads one capture, piece by piece.

    Parameters
    ----------
    request : ReadRequest
    report : ReadReport
    """

    def __init__(self, request: ReadRequest, report: ReadReport) -> None:
        self.request = request
        self.report = report
        self.order = "<"
        self.interfaces: list[_Interface] = []
        self.section = 0  # where this section's interfaces begin
        self.others = 0

    def read(self, data: bytes, at: int, *, last: bool) -> tuple[FrameBlock, int]:
        """Read all whole blocks.

        Parameters
        ----------
        data : bytes
            A piece of the file, beginning with a block.
        at : int
            Where in the file it begins.
        last : bool
            Whether the file ends with it.

        Returns
        -------
        block : FrameBlock
        used : int
            How many bytes are done with.
        """
        packets: list[_Run] = []
        place, end = 0, len(data)
        while place + _SMALLEST_BLOCK <= end:
            kind, size = self._head(data, place)
            if not _sound(kind, size) or not self._closed(data, place, size, end):
                found = self._search(data, place + 1)
                what = f"skipped {found - place} bytes that are no block"
                self.report.add_problem(f"byte {at + place}", what, skipped=1)
                place = found
                continue
            if place + size > end:
                break
            if kind in {_PACKET, _OLD_PACKET}:
                old, big = kind == _OLD_PACKET, self.order == ">"
                count = _alike(data, place, size)
                packets.append(_Run(place, size, count, self.section, old, big))
                place += (count - 1) * size
            else:
                self._other_block(kind, data[place : place + size])
            place += size
        if last and place < end:
            self.report.add_problem(
                f"byte {at + place}", "the last block is cut", skipped=1, cut=True
            )
            place = end
        return self._frames(data, packets), place

    def _head(self, data: bytes, place: int) -> tuple[int, int]:
        if data.startswith(NG_MAGIC, place):
            self.order = _ORDER_MAGIC.get(data[place + 8 : place + 12], self.order)
        kind, size = struct.unpack_from(self.order + "II", data, place)
        return kind, size

    def _closed(self, data: bytes, place: int, size: int, end: int) -> bool:
        """Tell whether a block's size stands at its end too, as far as can be seen."""
        if place + size > end:
            return True
        return bool(struct.unpack_from(self.order + "I", data, place + size - 4)[0] == size)

    def _search(self, data: bytes, begin: int) -> int:
        """Find the next place where a whole block of a known kind is."""
        rest = max(begin, len(data) - _SMALLEST_BLOCK + 1)  # may be the start of one
        for first, end in growing_windows(begin, rest):
            found = self._search_in(data, first, end)
            if found is not None:
                return found
        return rest

    def _search_in(self, data: bytes, first: int, end: int) -> int | None:
        field = np.ndarray((len(data) - 3,), self.order + "u4", data, strides=(1,))
        kinds, sizes = field[first:end], field[first + 4 : end + 4]
        fine = np.isin(kinds, _KNOWN) & (sizes >= _SMALLEST_BLOCK) & (sizes % 4 == 0)
        fine &= sizes <= _LARGEST_BLOCK
        for start in (np.flatnonzero(fine) + first).tolist():
            size = int(field[start + 4])
            cut = start + size > len(data) and size <= _LARGEST_FRAME_BLOCK
            if cut or (start + size <= len(data) and int(field[start + size - 4]) == size):
                return int(start)
        return None

    def _other_block(self, kind: int, block: bytes) -> None:
        try:
            if kind == _SECTION:
                self.section = len(self.interfaces)
            elif kind == _INTERFACE:
                self._add_interface(block)
            elif kind == _STATISTICS:
                self._add_statistics(block)
        except (struct.error, IndexError):
            self.report.add_problem(
                "capture", "a damaged block of settings was passed over", skipped=1
            )

    def _add_interface(self, block: bytes) -> None:
        if len(self.interfaces) >= _MOST_INTERFACES:
            return
        (link,) = struct.unpack_from(self.order + "H", block, 8)
        name, resolution, offset_s = f"interface {len(self.interfaces) - self.section}", 6, 0
        for code, value in _options(block, 16, self.order):
            if code == _OPTION_NAME:
                name = value.rstrip(b"\0")[:32].decode("utf-8", errors="replace") or name
            elif code == _OPTION_RESOLUTION and value:
                resolution = value[0]
            elif code == _OPTION_OFFSET and len(value) == 8:  # noqa: PLR2004 - 64 bits
                (offset_s,) = struct.unpack(self.order + "q", value)
        bus = self.report.bus_index(name) if link in LINKS else 0
        self.interfaces.append(_Interface(link, bus, resolution, offset_s, self.order == ">"))

    def _add_statistics(self, block: bytes) -> None:
        number, high, low = struct.unpack_from(self.order + "III", block, 8)
        interface = self.interfaces[self.section + number]
        if interface.link not in LINKS:
            return
        ticks = np.array([(high << 32) | low], dtype=np.uint64)
        for code, value in _options(block, 20, self.order):
            drops = int.from_bytes(value, "little" if self.order == "<" else "big")
            if code in _STATISTICS_DROPS and drops:
                self._lost(int(interface.time_ns(ticks)[0][0]), drops)

    def _lost(self, time_ns: int, drops: int) -> None:
        self.report.recorder_losses_ns.append(time_ns)
        self.report.add_problem("capture", f"the recorder dropped {drops} packets")

    def _packet_options(self, block: bytes, at: int, time_ns: int, order: str) -> int:
        flags = 0
        for code, value in _options(block, at, order):
            number = int.from_bytes(value[:8], "little" if order == "<" else "big")
            if code == _OPTION_FLAGS and number & 3 == _OUTBOUND:
                flags |= FrameFlag.SENT
            elif code == _OPTION_DROPS and number:
                self._lost(time_ns, number)
        return flags

    def _frames(self, data: bytes, packets: list[_Run]) -> FrameBlock:
        """Read the frames of all packets, of one kind of interface after the other."""
        buffer = padded(data)
        found = self._columns(buffer, packets)
        block, line = empty_block(), np.empty(0, dtype=np.int64)
        for link, big in sorted({(one.link, one.big) for one in self.interfaces}):
            kind = [one.link == link and one.big == big for one in self.interfaces]
            rows = np.flatnonzero(np.array(kind)[found.interface])
            if not len(rows):
                continue
            if link not in LINKS:
                self.others += len(rows)
                continue
            some = found.packets.take(rows)
            done = frames_of(buffer, some, link=link, big=big, request=self.request)
            self.others += len(done.failed)
            block = merged(block, line, done.block, rows[done.line])
            line = np.sort(np.concatenate((line, rows[done.line])))
        return block

    def _columns(self, buffer: ByteArray, packets: list[_Run]) -> _Found:
        """Read the headers of packets; those that make no sense are counted and left out."""
        runs = np.array(packets, dtype=np.int64).reshape(len(packets), 6)
        at, size, count = runs[:, 0], runs[:, 1], runs[:, 2]
        within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        at = np.repeat(at, count) + within * np.repeat(size, count) + FRONT
        section, old, big = (np.repeat(runs[:, column], count) for column in (3, 4, 5))
        head = windows(buffer, at + 4, 24)
        fields = np.where(big[:, np.newaxis], head.view(">u4"), head.view("<u4")).astype(np.int64)
        whole, number, high, low, size = (fields[:, column] for column in range(5))
        short = np.where(big, head.view(">u2")[:, 2], head.view("<u2")[:, 2])
        interface = section + np.where(old, short, number)
        fine = interface < len(self.interfaces)
        fine &= size + _PACKET_HEADER_BYTES + 4 <= whole
        ticks = (high.astype(np.uint64) << _U(32)) | low.astype(np.uint64)
        time_ns = np.zeros(len(at), dtype=np.int64)
        flags, bus = (np.zeros(len(at), dtype=np.uint8) for _ in range(2))
        for place in np.unique(interface[fine]).tolist():
            rows = np.flatnonzero(fine & (interface == place))
            bus[rows] = self.interfaces[place].bus
            time_ns[rows], fine[rows] = self.interfaces[place].time_ns(ticks[rows])
        tail = _PACKET_HEADER_BYTES + (size + 3) // 4 * 4
        for row in np.flatnonzero(fine & (tail + 4 < whole)).tolist():
            block = buffer[at[row] : at[row] + whole[row]].tobytes()
            order = ">" if big[row] else "<"
            flags[row] = self._packet_options(block, int(tail[row]), int(time_ns[row]), order)
        self.others += int(np.count_nonzero(~fine))
        rows = np.flatnonzero(fine)
        columns = Packets(at + _PACKET_HEADER_BYTES, size, time_ns, flags, bus)
        return _Found(interface[rows], columns.take(rows))

    def end(self) -> None:
        """Report what was passed over."""
        if self.others:
            what = f"{self.others} packets hold no whole CAN or CAN FD frame; skipped"
            self.report.add_problem("capture", what, skipped=self.others)


def _sound(kind: int, size: int) -> bool:
    return _SMALLEST_BLOCK <= size <= _LARGEST_BLOCK and size % 4 == 0 and kind != 0


def _options(block: bytes, at: int, order: str) -> Iterator[tuple[int, bytes]]:
    while at + 4 <= len(block) - 4:
        code, size = struct.unpack_from(order + "HH", block, at)
        if not code:
            return
        yield code, block[at + 4 : min(at + 4 + size, len(block) - 4)]
        at += 4 + (size + 3) // 4 * 4


def _alike(data: bytes, place: int, size: int) -> int:
    """Count blocks of one kind and size that follow one another, the first included."""
    room = (len(data) - place) // size
    head, tail = data[place : place + 8], data[place + size - 4 : place + size]
    count, looked = 1, 1
    while count == looked and looked < room:
        looked = min(4 * looked + 4, room)
        blocks = np.frombuffer(data, np.uint8, looked * size, place).reshape(looked, size)
        same = np.all(blocks[:, :8] == np.frombuffer(head, np.uint8), axis=1)
        same &= np.all(blocks[:, -4:] == np.frombuffer(tail, np.uint8), axis=1)
        count = looked if same.all() else int(np.argmin(same))
    return count
