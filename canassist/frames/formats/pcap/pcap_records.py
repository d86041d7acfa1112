"""Records of a classic pcap capture."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.errors import NoFramesError
from canassist.frames.formats.pcap.pcap_frames import (
    COOKED2_LINK,
    LINKS,
    Packets,
    frames_of,
    growing_windows,
    interface_numbers,
)
from canassist.frames.frame_rows import UNNAMED_BUS, bus_index, empty_block
from canassist.frames.text.digits import FRONT, NS_PER_S, padded, words

if TYPE_CHECKING:
    from canassist.frames.base import ReadRequest
    from canassist.model import ByteArray, FrameBlock, IntArray, ReadReport

# Magic number as it lies in the file: byte order, and nanoseconds a tick.
PCAP_MAGIC: Final = {
    b"\xa1\xb2\xc3\xd4": (">", 1000),
    b"\xd4\xc3\xb2\xa1": ("<", 1000),
    b"\xa1\xb2\x3c\x4d": (">", 1),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
}
_FILE_HEADER_BYTES: Final = 24
_RECORD_HEADER_BYTES: Final = 16
_LARGEST_RECORD: Final = 1 << 18  # the capture library's own limit
_SMALLEST_RECORD: Final = 8  # the header of a CAN frame; less holds none
_LARGEST_FRAME_RECORD: Final = 128  # a frame with any header; used after damage only


_VERSION: Final = {b"\x02\x00\x04\x00": "<", b"\x00\x02\x00\x04": ">"}


def has_pcap_header(head: bytes) -> bool:
    """Tell by the magic number, or by the version behind a damaged one."""
    return head[:4] in PCAP_MAGIC or head[4:8] in _VERSION


class PcapFile:
    """Reads one capture, piece by piece.

    Parameters
    ----------
    request : ReadRequest
    report : ReadReport
    """

    def __init__(self, request: ReadRequest, report: ReadReport) -> None:
        self.request = request
        self.report = report
        self.order, self.tick_ns, self.link = "", 0, 0
        self.others = 0

    def read(self, data: bytes, at: int, *, last: bool) -> tuple[FrameBlock, int]:
        """Read all whole records.

        Parameters
        ----------
        data : bytes
            A piece of the file, beginning with a record (or the file header).
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
        begin = 0
        if not self.order:
            if not self._read_header(data):
                return empty_block(), len(data)
            begin = _FILE_HEADER_BYTES
        offsets, used = self._walk(data, begin, at, last=last)
        buffer = padded(data)
        block = self._frames(buffer, np.array(offsets, dtype=np.int64) + FRONT)
        return block, used

    def _read_header(self, data: bytes) -> bool:
        if len(data) < _FILE_HEADER_BYTES:
            self.report.add_problem("byte 0", "the capture ends within its header", skipped=1)
            return False
        known = PCAP_MAGIC.get(data[:4])
        if known is None:
            self.report.add_problem(
                "byte 0", "the magic number is damaged; microseconds are assumed"
            )
        self.order, self.tick_ns = known or (_VERSION.get(data[4:8], "<"), 1000)
        (link,) = struct.unpack_from(self.order + "I", data, 20)
        self.link = link & 0xFFFF
        if self.link not in LINKS:
            raise NoFramesError(
                f"{self.report.name}: is a capture of another network (link type {self.link}), "
                "not of CAN.",
                "Capture the CAN interface, for example can0.",
            )
        return True

    def _walk(self, data: bytes, begin: int, at: int, *, last: bool) -> tuple[list[int], int]:
        """Find the records; also tell how far the data is done with."""
        header = struct.Struct(self.order + "IIII")
        offsets: list[int] = []
        place, end = begin, len(data)
        while place + _RECORD_HEADER_BYTES <= end:
            _, part, size, whole = header.unpack_from(data, place)
            if not self._sound(part, size, whole):
                found = self._search(data, place + 1)
                self.report.add_problem(
                    f"byte {at + place}",
                    f"skipped {found - place} bytes that are no record",
                    skipped=1,
                )
                place = found
                continue
            if place + _RECORD_HEADER_BYTES + size > end:
                break
            offsets.append(place)
            place += _RECORD_HEADER_BYTES + size
        if last and place < end:
            self.report.add_problem(
                f"byte {at + place}", "the last record is cut", skipped=1, cut=True
            )
            place = end
        return offsets, place

    def _sound(self, part: int, size: int, whole: int) -> bool:
        fits = _SMALLEST_RECORD <= size <= min(whole, _LARGEST_RECORD)
        return fits and part * self.tick_ns < NS_PER_S

    def _search(self, data: bytes, begin: int) -> int:
        """Find the next place where records of CAN frames seem to begin."""
        rest = max(begin, len(data) - _RECORD_HEADER_BYTES + 1)  # may be the start of one
        for first, end in growing_windows(begin, rest):
            found = self._search_in(data, first, end)
            if found is not None:
                return found
        return rest

    def _search_in(self, data: bytes, first: int, end: int) -> int | None:
        many = end - first
        field = np.ndarray((len(data) - 3,), self.order + "u4", data, strides=(1,))
        part, size, whole = (
            field[first + 4 * n : first + 4 * n + many].astype(np.int64) for n in (1, 2, 3)
        )
        fine = (part * self.tick_ns < NS_PER_S) & (size >= _SMALLEST_RECORD)
        fine &= (size <= _LARGEST_FRAME_RECORD) & (whole == size)
        found = np.flatnonzero(fine)  # two equal small sizes in a row are hardly chance
        return first + int(found[0]) if len(found) else None

    def _frames(self, buffer: ByteArray, at: IntArray) -> FrameBlock:
        words_at = words(buffer, at), words(buffer, at + 8)
        low, high = np.uint64(0xFFFF_FFFF), np.uint64(32)
        if self.order == ">":
            words_at = words_at[0].byteswap(), words_at[1].byteswap()
            part, seconds = words_at[0] & low, words_at[0] >> high
            size = words_at[1] >> high
        else:
            seconds, part = words_at[0] & low, words_at[0] >> high
            size = words_at[1] & low
        packets = Packets(
            start=at + _RECORD_HEADER_BYTES,
            size=size.astype(np.int64),
            time_ns=seconds.astype(np.int64) * NS_PER_S + part.astype(np.int64) * self.tick_ns,
            flags=np.zeros(len(at), dtype=np.uint8),
            bus=self._buses(buffer, at + _RECORD_HEADER_BYTES),
        )
        done = frames_of(
            buffer, packets, link=self.link, big=self.order == ">", request=self.request
        )
        self.others += len(done.failed)
        return done.block

    def _buses(self, buffer: ByteArray, start: IntArray) -> ByteArray:
        if self.link != COOKED2_LINK:
            return np.full(len(start), bus_index(self.report, UNNAMED_BUS), dtype=np.uint8)
        numbers = interface_numbers(buffer, start)
        bus = np.zeros(len(start), dtype=np.uint8)
        for number in dict.fromkeys(numbers.tolist()):
            bus[numbers == number] = self.report.bus_index(f"interface {number}")
        return bus

    def end(self) -> None:
        """Report what was passed over."""
        if self.others:
            what = f"{self.others} packets hold no whole CAN or CAN FD frame; skipped"
            self.report.add_problem("capture", what, skipped=self.others)
