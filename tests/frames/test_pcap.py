"""Captures of SocketCAN, packed by hand from the published layouts."""

from __future__ import annotations

import contextlib
import random
import struct
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canassist.errors import NoFramesError
from canassist.frames.base import LogReader, ReadRequest
from canassist.frames.formats.pcap.pcap import PcapReader
from canassist.model import FrameFlag, IdSet
from tests.frames.frame_samples import Sample, frames, read_all

if TYPE_CHECKING:
    from collections.abc import Callable

NS = 1_000_000_000
START_NS = 1_700_000_000 * NS
CAN, COOKED, COOKED2 = 227, 113, 276
EXTENDED, REMOTE, ERROR = 0x80000000, 0x40000000, 0x20000000


def _frame(one: Sample, *, id_order: str = ">", mark: bool = True, pad: bool = True) -> bytes:
    """Pack a frame as the page on LINKTYPE_CAN_SOCKETCAN lays it out."""
    word = one.can_id
    word |= EXTENDED * one.has(FrameFlag.EXTENDED) | REMOTE * one.has(FrameFlag.REMOTE)
    word |= ERROR * one.has(FrameFlag.ERROR)
    flags = one.has(FrameFlag.BIT_RATE_SWITCH) | 2 * one.has(FrameFlag.ERROR_STATE)
    flags |= 4 * (mark and one.has(FrameFlag.FD))
    size = 64 if one.has(FrameFlag.FD) else 8
    data = one.data.ljust(size, b"\0") if pad else one.data
    return struct.pack(f"{id_order}IBBBB", word, one.length, flags, 0, 0) + data


def _cooked(one: Sample, link: int, order: str, interface: int = 3) -> bytes:
    protocol = 0x000D if one.has(FrameFlag.FD) else 0x000C
    kind = 4 if one.has(FrameFlag.SENT) else 1
    frame = _frame(one, id_order=order, mark=False)
    if link == COOKED:
        return struct.pack(">HHH8sH", kind, 280, 0, b"", protocol) + frame
    return struct.pack(">HHIHBB8s", protocol, 0, interface, 280, kind, 0, b"") + frame


def _pcap_header(order: str, link: int, *, nano: bool) -> bytes:
    magic = 0xA1B23C4D if nano else 0xA1B2C3D4
    return struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, 262144, link)


def _record(time_ns: int, packet: bytes, order: str, *, nano: bool) -> bytes:
    part = time_ns % NS if nano else time_ns % NS // 1000
    head = struct.pack(order + "IIII", time_ns // NS, part, len(packet), len(packet))
    return head + packet


def pcap_log(written: list[Sample], order: str = "<", *, nano: bool = False) -> bytes:
    records = (_record(one.time_ns, _frame(one), order, nano=nano) for one in written)
    return _pcap_header(order, CAN, nano=nano) + b"".join(records)


def _block(kind: int, body: bytes, order: str) -> bytes:
    body += b"\0" * (-len(body) % 4)
    size = struct.pack(order + "I", len(body) + 12)
    return struct.pack(order + "I", kind) + size + body + size


def _option(code: int, value: bytes, order: str) -> bytes:
    return struct.pack(order + "HH", code, len(value)) + value + b"\0" * (-len(value) % 4)


def _section(order: str) -> bytes:
    return _block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def _interface(
    name: str, order: str, *, link: int = CAN, resolution: int | None = None, offset_s: int = 0
) -> bytes:
    options = _option(2, name.encode(), order)
    if resolution is not None:
        options += _option(9, bytes([resolution]), order)
    if offset_s:
        options += _option(14, struct.pack(order + "q", offset_s), order)
    options += _option(0, b"", order)
    return _block(1, struct.pack(order + "HHI", link, 0, 262144) + options, order)


def _packet(number: int, ticks: int, packet: bytes, order: str, options: bytes = b"") -> bytes:
    head = struct.pack(
        order + "IIIII", number, ticks >> 32, ticks & 0xFFFFFFFF, len(packet), len(packet)
    )
    padding = b"\0" * (-len(packet) % 4)
    return _block(6, head + packet + padding + options, order)


def pcapng_log(written: list[Sample], order: str = "<") -> bytes:
    text = _section(order) + _interface("can0", order) + _interface("can1", order)
    for one in written:
        sent = _option(2, struct.pack(order + "I", 2), order) + _option(0, b"", order)
        options = sent if one.has(FrameFlag.SENT) else b""
        number = int(one.bus[-1])
        text += _packet(number, one.time_ns // 1000, _frame(one), order, options)
    return text


@given(
    written=st.lists(frames(time_step_ns=1, buses=("CAN",), direction=False), min_size=1),
    order=st.sampled_from("<>"),
    nano=st.booleans(),
)
def test_pcap_frames_come_back(written: list[Sample], order: str, nano: bool) -> None:
    step = 1 if nano else 1000
    written = [one._replace(time_ns=one.time_ns // step * step) for one in written]
    log = pcap_log(written, order, nano=nano)
    assert PcapReader().matches(log[:4096])
    read, report = read_all(PcapReader(), log)
    assert read == written
    assert not report.problems
    assert report.epoch == "utc"


@given(written=st.lists(frames(), min_size=1), order=st.sampled_from("<>"))
def test_pcapng_frames_come_back_with_bus_and_direction(written: list[Sample], order: str) -> None:
    log = pcapng_log(written, order)
    assert PcapReader().matches(log[:4096])
    read, report = read_all(PcapReader(), log)
    assert read == written
    assert not report.problems


@given(
    written=st.lists(frames(), min_size=1),
    order=st.sampled_from("<>"),
    link=st.sampled_from([COOKED, COOKED2]),
)
def test_cooked_captures_are_read(written: list[Sample], order: str, link: int) -> None:
    log = _pcap_header(order, link, nano=False)
    for one in written:
        packet = _cooked(one, link, order, interface=int(one.bus[-1]))
        log += _record(one.time_ns, packet, order, nano=False)
    read, report = read_all(PcapReader(), log)
    names = {"can0": "interface 0", "can1": "interface 1"} if link == COOKED2 else {}
    assert read == [one._replace(bus=names.get(one.bus, "CAN")) for one in written]
    assert not report.problems


@given(
    ticks=st.integers(0, 2**62 - 1),
    resolution=st.integers(0, 12) | st.integers(0x80, 0x80 + 62),
    offset_s=st.integers(-1000, 1000),
)
def test_every_resolution_is_exact(ticks: int, resolution: int, offset_s: int) -> None:
    """if_tsresol: a power of ten, or of two where the highest bit is set (pcapng draft)."""
    base, power = (2, resolution - 0x80) if resolution & 0x80 else (10, resolution)
    expected = ticks * NS // base**power + offset_s * NS
    log = _section("<") + _interface("can0", "<", resolution=resolution, offset_s=offset_s)
    log += _packet(0, ticks, _frame(Sample(0, "can0", 1, 0, 0, b"")), "<")
    read, _ = read_all(PcapReader(), log)
    if abs(ticks // base**power + offset_s) >= (2**63 - 1) // NS:
        assert not read
    else:
        exact = power <= 32 or base == 10  # beyond, the last bits are below a nanosecond
        assert abs(read[0].time_ns - expected) <= (0 if exact else 1)


def test_an_old_capture_without_the_fd_mark_is_told_by_its_size() -> None:
    """16 bytes with header and padding are CAN, 72 are CAN FD (LINKTYPE_CAN_SOCKETCAN)."""
    one = Sample(START_NS, "CAN", 0x123, FrameFlag.FD, 8, bytes(range(8)))
    log = _pcap_header("<", CAN, nano=False)
    log += _record(one.time_ns, _frame(one, mark=False), "<", nano=False)
    read, _ = read_all(PcapReader(), log)
    assert read == [one]


def test_an_error_frame_keeps_class_and_detail() -> None:
    detail = bytes([0, 0x30, 0, 0, 0, 0, 96, 128])
    one = Sample(START_NS, "CAN", 0x004, FrameFlag.ERROR, 8, detail)
    read, _ = read_all(PcapReader(), pcap_log([one]))
    assert read == [one]


def test_what_the_recorder_dropped_is_its_own_loss() -> None:
    one = Sample(START_NS, "can0", 0x1, 0, 0, b"")
    drops = _option(4, struct.pack("<Q", 5), "<") + _option(0, b"", "<")
    ticks = START_NS // 1000
    log = _section("<") + _interface("can0", "<") + _packet(0, ticks, _frame(one), "<", drops)
    body = struct.pack("<III", 0, (ticks + 9) >> 32, (ticks + 9) & 0xFFFFFFFF)
    log += _block(5, body + _option(7, struct.pack("<Q", 3), "<"), "<")
    read, report = read_all(PcapReader(), log)
    assert read == [one]
    assert sorted(report.recorder_losses_ns) == [START_NS, START_NS + 9000]
    told = " ".join(problem.what for problem in report.problems)
    assert "dropped 5" in told
    assert "dropped 3" in told


def test_other_networks_are_left_out_or_refused() -> None:
    with pytest.raises(NoFramesError, match="link type 1") as caught:
        read_all(PcapReader(), _pcap_header("<", 1, nano=False))
    assert "can0" in caught.value.fix
    one = Sample(START_NS, "can0", 0x1, 0, 0, b"")
    log = _section("<") + _interface("eth0", "<", link=1) + _interface("can0", "<")
    log += _packet(0, 1, b"x" * 60, "<") + _packet(1, START_NS // 1000, _frame(one), "<")
    read, report = read_all(PcapReader(), log)
    assert read == [one]
    assert report.buses == ["can0"]
    assert report.skipped == 1


def test_two_sections_of_both_byte_orders_keep_their_interfaces_apart() -> None:
    one = Sample(START_NS, "can0", 0x1, 0, 1, b"\x01")
    two = Sample(START_NS, "can1", 0x2, 0, 1, b"\x02")
    log = _section("<") + _interface("can0", "<")
    log += _packet(0, START_NS // 1000, _frame(one), "<")
    log += _section(">") + _interface("can1", ">")
    log += _packet(0, START_NS // 1000, _frame(two), ">")
    read, report = read_all(PcapReader(), log)
    assert read == [one, two]
    assert not report.problems


@pytest.mark.parametrize("pack", [pcap_log, pcapng_log])
def test_fifty_cuts_lose_only_the_frame_that_they_cut(pack: object) -> None:
    bus = "CAN" if pack is pcap_log else "can0"
    written = [Sample(START_NS + n * NS, bus, n, 0, 8, bytes([n] * 8)) for n in range(40)]
    whole: bytes = pack(written)  # type: ignore[operator]  # one of the two above
    size = (len(whole) - len(pack([]))) // 40  # type: ignore[operator]  # the same
    chance = random.Random(5)  # noqa: S311 - not a secret
    for _ in range(50):
        cut = chance.randrange(len(whole) - 40 * size, len(whole))
        complete = 40 - -(-(len(whole) - cut) // size)
        read, report = read_all(PcapReader(), whole[:cut])
        assert read == written[:complete]
        assert bool(report.problems) == (cut != len(whole) - (40 - complete) * size)


@pytest.mark.parametrize("pack", [pcap_log, pcapng_log])
def test_garbage_in_the_middle_loses_no_frame_before_or_after(pack: object) -> None:
    bus = "CAN" if pack is pcap_log else "can0"
    written = [Sample(START_NS + n * NS, bus, n, 0, 8, bytes([n] * 8)) for n in range(40)]
    whole: bytes = pack(written)  # type: ignore[operator]  # one of the two above
    size = (len(whole) - len(pack([]))) // 40  # type: ignore[operator]  # the same
    at = len(whole) - 20 * size
    garbage = random.Random(7).randbytes(999)  # noqa: S311 - not a secret
    read, report = read_all(PcapReader(), whole[:at] + garbage + whole[at:])
    assert read == written
    assert "999 bytes" in report.problems[0].what


@pytest.mark.parametrize("pack", [pcap_log, pcapng_log])
def test_damage_at_every_second_record_costs_no_long_searches(
    pack: Callable[[list[Sample]], bytes],
) -> None:
    """Searched through anew each time, a file of this size would take minutes."""
    bus = "CAN" if pack is pcap_log else "can0"
    written = [Sample(START_NS + n * NS, bus, n % 0x7FF, 0, 8, bytes(8)) for n in range(12_000)]
    head = len(pack([]))
    whole = pack(written)
    size = (len(whole) - head) // len(written)
    records = np.frombuffer(whole[head:], np.uint8).reshape(len(written), size).copy()
    records[::2, 8:12] = 0xEE
    begin = time.process_time()
    read, _ = read_all(PcapReader(), whole[:head] + records.tobytes())
    assert len(read) >= len(written) // 2 - 1
    assert time.process_time() - begin < 20


def test_a_damaged_magic_number_does_not_cost_the_capture() -> None:
    written = [Sample(START_NS, "CAN", 1, 0, 1, b"\x01")]
    read, report = read_all(PcapReader(), b"????" + pcap_log(written)[4:])
    assert read == written
    assert "magic" in report.problems[0].what
    written = [written[0]._replace(bus="can0")]
    read, report = read_all(PcapReader(), b"?" + pcapng_log(written))
    assert read == written
    assert "1 bytes" in report.problems[0].what


def test_a_long_capture_is_read_in_pieces() -> None:
    many = 100_000
    record = np.frombuffer(pcap_log([Sample(0, "CAN", 0x1, 0, 8, bytes(8))])[24:], dtype=np.uint8)
    table = np.tile(record, (many, 1))
    table[:, :4] = np.arange(many, dtype="<u4").view(np.uint8).reshape(many, 4)
    read, report = read_all(PcapReader(), pcap_log([]) + table.tobytes())
    assert [one.time_ns for one in read] == [n * NS for n in range(many)]
    assert not report.problems
    assert report.epoch == "file"


def test_only_wanted_frames_carry_their_payload() -> None:
    written = [Sample(START_NS + n, "CAN", n % 3, 0, 1, bytes([n])) for n in range(30)]
    log = pcap_log(written, nano=True)
    read, _ = read_all(PcapReader(), log, ReadRequest(wanted=IdSet([1])))
    assert [one.data for one in read] == [one.data * (one.can_id == 1) for one in written]
    read, _ = read_all(PcapReader(), log, ReadRequest(wanted=IdSet([1]), headers=False))
    assert read == [one for one in written if one.can_id == 1]


def test_it_is_a_reader() -> None:
    assert isinstance(PcapReader(), LogReader)


@pytest.mark.slow
@settings(max_examples=4000, deadline=None)
@given(
    data=st.data(),
    written=st.lists(frames(), max_size=8),
    ng=st.booleans(),
    order=st.sampled_from("<>"),
    noise=st.lists(st.binary(max_size=20), max_size=8),
)
def test_nothing_makes_it_fail(
    data: st.DataObject, written: list[Sample], ng: bool, order: str, noise: list[bytes]
) -> None:
    log = bytearray((pcapng_log if ng else pcap_log)(written, order))
    for piece in noise:
        at = data.draw(st.integers(0, len(log)))
        log[at : at + data.draw(st.integers(0, 8))] = piece
    PcapReader().matches(bytes(log[:4096]))
    with contextlib.suppress(NoFramesError):  # the link type was hit
        read_all(PcapReader(), bytes(log))
