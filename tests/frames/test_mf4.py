"""MDF 4 bus logging: written by python-can, by asammdf, and packed by hand."""

from __future__ import annotations

import contextlib
import io
import random
import struct
import sys
import zlib
from datetime import UTC, datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Literal

import can
import numpy as np
import pytest
from asammdf import MDF, Signal
from asammdf.blocks.v4_blocks import SourceInformation
from asammdf.blocks.v4_constants import BUS_TYPE_CAN, SOURCE_BUS, CompressionAlgorithm
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canassist.errors import InputError, MissingExtraError, NoFramesError
from canassist.frames.base import LogReader, ReadRequest
from canassist.frames.formats.mf4 import mf4_library
from canassist.frames.formats.mf4.mf4 import Mf4Reader
from canassist.model import FrameFlag, IdSet
from tests.frames.frame_samples import FD_LENGTHS, Sample, frames, message, read_all

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

NS = 1_000_000_000
START = datetime(2024, 5, 1, 10, 0, 0, tzinfo=UTC)
TEMPORARY = settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25, deadline=None
)


def _in_time_order(written: Iterable[Sample]) -> list[Sample]:
    return sorted(written, key=lambda one: one.time_ns)


# Written by asammdf


def _record_type(event: str, width: int) -> np.dtype:
    names = [
        ("BusChannel", "u1"),
        ("ID", "<u4"),
        ("IDE", "u1"),
        ("DLC", "u1"),
        ("DataLength", "u1"),
        ("DataBytes", f"({width},)u1"),
        ("Dir", "u1"),
        ("EDL", "u1"),
        ("BRS", "u1"),
        ("ESI", "u1"),
    ]
    return np.dtype([(f"{event}.{name}", kind) for name, kind in names])


def _records(written: list[Sample], event: str, width: int = 64) -> np.ndarray:
    records = np.zeros(len(written), dtype=_record_type(event, width))
    for row, one in zip(records, written, strict=True):
        row[f"{event}.BusChannel"] = int(one.bus)
        row[f"{event}.ID"] = one.can_id
        row[f"{event}.IDE"] = one.has(FrameFlag.EXTENDED)
        row[f"{event}.DLC"] = FD_LENGTHS.index(one.length)
        row[f"{event}.DataLength"] = 0 if one.has(FrameFlag.REMOTE) else one.length
        row[f"{event}.DataBytes"][: len(one.data)] = list(one.data)
        row[f"{event}.Dir"] = one.has(FrameFlag.SENT)
        row[f"{event}.EDL"] = one.has(FrameFlag.FD)
        row[f"{event}.BRS"] = one.has(FrameFlag.BIT_RATE_SWITCH)
        row[f"{event}.ESI"] = one.has(FrameFlag.ERROR_STATE)
    return records


def _by_asammdf(
    path: Path,
    written: list[Sample],
    *,
    compression: int = 0,
    version: Literal["4.10", "4.30"] = "4.10",
    start: datetime = START,
) -> Path:
    source = SourceInformation(source_type=SOURCE_BUS, bus_type=BUS_TYPE_CAN)
    with MDF(version=version) as file:
        file.header.start_time = start
        for event, remote in (("CAN_DataFrame", False), ("CAN_RemoteFrame", True)):
            some = [one for one in written if one.has(FrameFlag.REMOTE) == remote]
            if some:
                times = np.array([one.time_ns for one in some]) / NS
                records = _records(some, event)
                file.append(Signal(records, times, name=event, source=source))
        file.save(path, overwrite=True, compression=CompressionAlgorithm(compression))
    return path


def _drawn(*, remote: bool = True) -> st.SearchStrategy[list[Sample]]:
    drawn = frames(start_ns=0, latest_s=4000, buses=("0", "1"), remote=remote)
    return st.lists(drawn, min_size=1, max_size=30, unique_by=lambda one: one.time_ns)


@TEMPORARY
@given(written=_drawn(), compression=st.integers(0, 2))
def test_what_asammdf_writes_is_read_back(
    tmp_path: Path, written: list[Sample], compression: int
) -> None:
    written = _in_time_order(written)
    path = _by_asammdf(tmp_path / "ride.mf4", written, compression=compression)
    assert Mf4Reader().matches(path.read_bytes()[:4096])
    read, report = read_all(Mf4Reader(), path)
    assert read == written
    assert not report.problems
    assert report.start_utc == START
    assert report.start_local is None
    assert report.epoch == "file"


def test_a_local_start_without_zone_is_no_absolute_time(tmp_path: Path) -> None:
    local = datetime(2024, 5, 1, 10, 0, 0)
    one = Sample(NS, "0", 1, 0, 1, b"\x01")
    _, report = read_all(Mf4Reader(), _by_asammdf(tmp_path / "ride.mf4", [one], start=local))
    assert report.start_utc is None
    assert report.start_local == local


def test_a_start_before_any_recorder_was_there_is_no_date(tmp_path: Path) -> None:
    never_set = datetime(1970, 1, 1, 0, 0, 7, tzinfo=UTC)
    one = Sample(NS, "0", 1, 0, 1, b"\x01")
    _, report = read_all(Mf4Reader(), _by_asammdf(tmp_path / "ride.mf4", [one], start=never_set))
    assert report.start_utc is None
    assert report.start_local is None


# Written by python-can


@settings(TEMPORARY, max_examples=8)
@given(written=_drawn())
def test_what_python_can_writes_is_read_back(tmp_path: Path, written: list[Sample]) -> None:
    """Its times count from when the writer was made, by the wall clock without a zone."""
    written = _in_time_order(written)
    error = Sample(
        written[-1].time_ns + 1000, "1", 0x004, FrameFlag.ERROR, 8, bytes([0, 48, *[0] * 6])
    )
    path = tmp_path / "ride.mf4"
    with can.MF4Writer(path) as writer:
        start_s = writer._start_time
        for one in [*written, error]:
            moved = message(one._replace(bus=f"can{one.bus}"))
            moved.timestamp = start_s + one.time_ns / NS
            moved.channel = int(one.bus)
            writer.on_message_received(moved)
    read, report = read_all(Mf4Reader(), path)
    assert not report.problems
    assert report.start_utc is None
    assert report.start_local is not None
    expected = [*written, error]
    assert len(read) == len(expected)
    for one, other in zip(read, expected, strict=True):
        assert one._replace(time_ns=0) == other._replace(time_ns=0)
        assert one.time_ns == pytest.approx(other.time_ns, abs=500)  # a float of seconds since 1970
    with can.MF4Reader(path) as theirs:
        assert len(list(theirs)) == len(read)


# Packed by hand from the published layout


class Packer:
    """Puts blocks into a file and remembers where they are."""

    def __init__(self, mark: bytes = b"MDF     ", unfinished: int = 0) -> None:
        self.body = bytearray(64)
        self.body[:8] = mark
        self.body[8:16] = b"4.10    "
        self.body[60:62] = struct.pack("<H", unfinished)
        self.block(b"HD", [0] * 6, struct.pack("<QhhBBBBdd", 0, 0, 0, 0, 0, 0, 0, 0, 0))

    def block(self, kind: bytes, links: list[int], data: bytes, size: int | None = None) -> int:
        self.body += bytes(-len(self.body) % 8)
        address = len(self.body)
        length = 24 + 8 * len(links) + len(data) if size is None else size
        self.body += struct.pack("<4s4xQQ", b"##" + kind, length, len(links))
        self.body += struct.pack(f"<{len(links)}Q", *links) + data
        return address

    def link(self, address: int, number: int, target: int) -> None:
        struct.pack_into("<Q", self.body, address + 24 + 8 * number, target)

    def text(self, text: str) -> int:
        return self.block(b"TX", [], text.encode() + b"\0")

    def channel(
        self,
        name: str,
        byte: int,
        bits: int,
        *,
        kind: int = 0,
        sync: int = 0,
        data_type: int = 0,
        bit: int = 0,
        formula: tuple[float, float] | None = None,
        signal: int = 0,
    ) -> int:
        conversion = 0
        if formula:
            head = struct.pack("<BBHHHdd", 1, 0, 0, 0, 2, 0, 0)
            conversion = self.block(b"CC", [0] * 4, head + struct.pack("<dd", *formula))
        data = struct.pack("<BBBBII", kind, sync, data_type, bit, byte, bits) + bytes(60)
        return self.block(b"CN", [0, 0, self.text(name), 0, conversion, signal, 0, 0], data)

    def group(
        self, channels: list[int], *, number: int = 0, count: int = 0, size: int, flags: int = 2
    ) -> int:
        for before, after in pairwise(channels):
            self.link(before, 0, after)
        data = struct.pack("<QQHHIII", number, count, flags, 0, 0, size, 0)
        return self.block(b"CG", [0, channels[0] if channels else 0, 0, 0, 0, 0], data)

    def data_group(self, groups: list[int], data: int, *, id_size: int = 0) -> None:
        for before, after in pairwise(groups):
            self.link(before, 0, after)
        address = self.block(b"DG", [0, groups[0], data, 0], bytes([id_size]) + bytes(7))
        last, following = 64, struct.unpack_from("<Q", self.body, 64 + 24)[0]
        while following:
            last, following = following, struct.unpack_from("<Q", self.body, following + 24)[0]
        self.link(last, 0, address)


RECORD = struct.Struct("<Q I B B 8s")  # ticks, identifier and extended bit, length, bus, data
SIZE = RECORD.size


def _channels(pack: Packer, *, signal: int | None = None) -> list[int]:
    data = (
        pack.channel("CAN_DataFrame.DataBytes", 14, 64, data_type=10)
        if signal is None
        else pack.channel("CAN_DataFrame.DataBytes", 14, 64, kind=1, signal=signal)
    )
    return [
        pack.channel("t", 0, 64, kind=2, sync=1, formula=(0.0, 1e-9)),
        pack.channel("CAN_DataFrame.ID", 8, 29),
        pack.channel("CAN_DataFrame.IDE", 11, 1, bit=7),
        pack.channel("CAN_DataFrame.DataLength", 12, 8),
        pack.channel("CAN_DataFrame.BusChannel", 13, 8),
        data,
    ]


def _record(one: Sample, data: bytes | None = None) -> bytes:
    word = one.can_id | 0x8000_0000 * one.has(FrameFlag.EXTENDED)
    return RECORD.pack(
        one.time_ns, word, one.length, int(one.bus), one.data if data is None else data
    )


def mf4_log(written: list[Sample], *, unfinished: bool = False, packed: str = "") -> bytes:
    pack = Packer(b"UnFinMF " if unfinished else b"MDF     ", 5 if unfinished else 0)
    count = 0 if unfinished else len(written)
    group = pack.group(_channels(pack), count=count, size=SIZE)
    data_group_at = len(pack.body) + -len(pack.body) % 8
    pack.data_group([group], 0)
    body = b"".join(map(_record, written))
    if packed:
        half = len(written) // 2 * SIZE
        parts = [_packed(pack, packed, body[:half]), _packed(pack, packed, body[half:])]
        listed = pack.block(b"DL", [0, *parts], struct.pack("<B3xIQQ", 0, 2, 0, half))
        place = pack.block(b"HL", [listed], bytes(8))
    else:
        place = pack.block(b"DT", [], body, size=24 if unfinished else None)
    pack.link(data_group_at, 2, place)
    return bytes(pack.body)


def _packed(pack: Packer, how: str, body: bytes) -> int:
    turned = body
    if how == "turned":
        rows = len(body) // SIZE
        table = np.frombuffer(body, np.uint8, rows * SIZE).reshape(rows, SIZE)
        turned = table.T.tobytes() + body[rows * SIZE :]
    small = zlib.compress(turned)
    width = SIZE if how == "turned" else 0
    head = struct.pack("<2sBxIQQ", b"DT", how == "turned", width, len(body), len(small))
    return pack.block(b"DZ", [], head + small)


def _classic(many: int, *, step_ns: int = 1_000_001) -> list[Sample]:
    chance = random.Random(many)  # noqa: S311 - not a secret
    written = []
    for n in range(many):
        extended = chance.random() < 0.3
        data = chance.randbytes(chance.randrange(9))
        flags = FrameFlag.EXTENDED * extended
        can_id = chance.randrange(0x2000_0000 if extended else 0x800)
        bus = str(chance.randrange(2))
        written.append(Sample((n + 1) * step_ns, bus, can_id, int(flags), len(data), data))
    return written


@pytest.mark.parametrize("unfinished", [False, True])
@pytest.mark.parametrize("packed", ["", "deflated", "turned"])
def test_records_packed_by_hand_come_back_to_the_nanosecond(unfinished: bool, packed: str) -> None:
    written = _classic(200)
    log = mf4_log(written, unfinished=unfinished, packed=packed)
    assert Mf4Reader().matches(log[:4096])
    read, report = read_all(Mf4Reader(), log)
    assert read == written
    assert not report.problems


def test_a_file_that_was_not_finished_ends_with_its_last_whole_record() -> None:
    written = _classic(50)
    log = mf4_log(written, unfinished=True)
    read, report = read_all(Mf4Reader(), log[:-3])
    assert read == written[:-1]
    assert not report.problems


def test_fifty_cuts_keep_every_record_before_them() -> None:
    written = _classic(300)
    log = mf4_log(written)
    begin = len(log) - 300 * SIZE
    chance = random.Random(4)  # noqa: S311 - not a secret
    for _ in range(50):
        cut = chance.randrange(begin + 1, len(log))
        read, report = read_all(Mf4Reader(), log[:cut])
        assert read == written[: (cut - begin) // SIZE]
        assert "missing" in report.problems[-1].what
    for _ in range(50):
        cut = chance.randrange(64, begin - 24)
        with pytest.raises(InputError) as caught:
            read_all(Mf4Reader(), log[:cut])
        assert caught.value.exit_status == 3
        assert "recorder" in caught.value.fix


@pytest.mark.parametrize("packed", ["deflated", "turned"])
def test_a_broken_packed_block_loses_its_own_records_only(packed: str) -> None:
    written = _classic(400)
    log = bytearray(mf4_log(written, packed=packed))
    at = log.index(b"##DZ") + 24 + 24 + 700
    log[at : at + 40] = bytes(40)
    read, report = read_all(Mf4Reader(), bytes(log))
    assert read == written[-200:]  # where a wrong byte begins to spoil cannot be told
    assert "broken" in report.problems[0].what


def _mixed_file(written: list[Sample], *, data_first: bool, apart: bool) -> bytes:
    """One stream with two kinds of records; the data bytes may come as records of their own."""
    pack = Packer()
    side = pack.group([], number=9, size=0, flags=1)
    group = pack.group(
        _channels(pack, signal=side if apart else None), number=7, count=len(written), size=SIZE
    )
    other = pack.group([pack.channel("t", 0, 64, kind=2, sync=1)], number=8, count=0, size=8)
    parts, offset = [], 0
    for one in written:
        if not apart:
            parts.append(struct.pack("<H", 7) + _record(one))
        else:
            record = struct.pack("<H", 7) + _record(one, struct.pack("<Q", offset))
            data = struct.pack("<HI", 9, one.length) + one.data
            parts.append(data + record if data_first else record + data)
            offset += 4 + one.length
        parts.append(struct.pack("<HQ", 8, 0))
    groups = [group, other, side] if apart else [group, other]
    pack.data_group(groups, pack.block(b"DT", [], b"".join(parts)), id_size=2)
    return bytes(pack.body)


@pytest.mark.parametrize("apart", [False, True])
@pytest.mark.parametrize("data_first", [False, True])
@pytest.mark.parametrize("many", [3, 40_000])
def test_mixed_records_are_told_apart(apart: bool, data_first: bool, many: int) -> None:
    written = _classic(many)
    read, report = read_all(Mf4Reader(), _mixed_file(written, data_first=data_first, apart=apart))
    assert read == written
    assert not report.problems


@pytest.mark.parametrize("many", [3, 60_000])
def test_data_bytes_in_a_stream_of_their_own_are_read(many: int) -> None:
    written = _classic(many)
    pack = Packer()
    offsets = np.cumsum([0, *(4 + one.length for one in written)]).tolist()
    side = b"".join(struct.pack("<I", one.length) + one.data for one in written)
    signal = pack.block(b"SD", [], side)
    group = pack.group(_channels(pack, signal=signal), count=many, size=SIZE)
    stream = b"".join(
        _record(one, struct.pack("<Q", offset))
        for one, offset in zip(written, offsets, strict=False)
    )
    pack.data_group([group], pack.block(b"DT", [], stream))
    read, report = read_all(Mf4Reader(), bytes(pack.body))
    assert read == written
    assert not report.problems
    request = ReadRequest(wanted=IdSet([written[-1].can_id]), headers=False)
    read, _ = read_all(Mf4Reader(), bytes(pack.body), request)
    expected = [one for one in written if one.can_id == written[-1].can_id]
    assert read == [one for one in expected if not one.has(FrameFlag.EXTENDED)]


def test_error_frames_are_told_in_the_kernels_terms() -> None:
    """ErrorType 3 is stuffing, 5 acknowledgement (bus logging standard; from memory)."""
    pack = Packer()
    channels = [
        pack.channel("t", 0, 64, kind=2, sync=1, data_type=4),
        pack.channel("CAN_ErrorFrame.ID", 8, 32),
        pack.channel("CAN_ErrorFrame.ErrorType", 12, 8),
    ]
    group = pack.group(channels, count=2, size=13)
    stream = struct.pack("<dIB", 1.5, 0x123, 3) + struct.pack("<dIB", 2.5, 0, 5)
    pack.data_group([group], pack.block(b"DT", [], stream))
    read, _ = read_all(Mf4Reader(), bytes(pack.body))
    assert [(one.time_ns, one.can_id, one.flags) for one in read] == [
        (1_500_000_000, 0x088, FrameFlag.ERROR),
        (2_500_000_000, 0x020, FrameFlag.ERROR),
    ]
    assert read[0].data[2] == 0x04


def test_only_wanted_frames_carry_their_payload(tmp_path: Path) -> None:
    written = [Sample(n * 1000, "0", n % 3, 0, 1, bytes([n])) for n in range(30)]
    path = _by_asammdf(tmp_path / "ride.mf4", written, compression=2)
    read, _ = read_all(Mf4Reader(), path, ReadRequest(wanted=IdSet([1])))
    assert [one.data for one in read] == [one.data * (one.can_id == 1) for one in written]
    read, _ = read_all(Mf4Reader(), path, ReadRequest(wanted=IdSet([1]), headers=False))
    assert read == [one for one in written if one.can_id == 1]


def test_files_of_measured_signals_hold_no_frames(shared_data: Path) -> None:
    paths = sorted((shared_data / "containers").glob("*.mf4"))
    assert len(paths) == 2
    for path in paths:
        assert Mf4Reader().matches(path.read_bytes()[:4096])
        with pytest.raises(NoFramesError, match="no CAN frames"):
            read_all(Mf4Reader(), path)
        with can.MF4Reader(path) as theirs:
            assert not list(theirs)


# Channels whose value is no part of the record


def _virtual(pack: Packer, name: str, offset: float, factor: float = 0.0) -> int:
    return pack.channel(f"CAN_DataFrame.{name}", 0, 0, kind=6, formula=(offset, factor))


def _virtual_file(written: list[Sample], bus: tuple[float, float]) -> bytes:
    pack = Packer()
    channels = [one for n, one in enumerate(_channels(pack)) if n not in {2, 4}]
    channels += [_virtual(pack, "IDE", 0.0), _virtual(pack, "Dir", 1.0)]
    channels.append(_virtual(pack, "BusChannel", *bus))
    group = pack.group(channels, count=len(written), size=SIZE)
    pack.data_group([group], pack.block(b"DT", [], b"".join(map(_record, written))))
    return bytes(pack.body)


def test_a_channel_may_have_its_value_in_its_conversion_only() -> None:
    written = [Sample(n * 10**6, "1", 0x7A0, 0, 2, bytes([n, 1])) for n in range(100)]
    read, report = read_all(Mf4Reader(), _virtual_file(written, (3.0, 0.0)))
    assert not report.problems
    assert {one.bus for one in read} == {"3"}
    assert {one.flags for one in read} == {FrameFlag.SENT}
    assert [(one.time_ns, one.data) for one in read] == [(one.time_ns, one.data) for one in written]


def test_a_bus_for_every_frame_is_refused() -> None:
    """The library reads it, and agrees; no vehicle has a hundred buses all the same."""
    written = [Sample(n * 10**6, "1", 0x7A0, 0, 2, bytes([n, 1])) for n in range(100)]
    with pytest.raises(InputError, match="more than 64 buses"):
        read_all(Mf4Reader(), _virtual_file(written, (0.0, 1.0)))


def test_a_recorder_with_virtual_channels(shared_data: Path) -> None:
    path = shared_data / "car_n" / "two_bus_virtual_channels.mf4"
    read, report = read_all(Mf4Reader(), path)
    with can.MF4Reader(path) as log:
        theirs = [(one.channel, one.arbitration_id, not one.is_rx, bytes(one.data)) for one in log]
    sent = FrameFlag.SENT
    ours = [(int(one.bus), one.can_id, one.has(sent), one.data) for one in read]
    assert sorted(ours) == sorted(theirs)
    assert len(ours) == 3587
    assert not any(one.has(FrameFlag.EXTENDED) for one in read)
    assert not report.problems


# Odd layouts, through the library


def test_two_ways_of_the_library_that_disagree_give_no_ride(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = _packed_oddly(tmp_path / "ride.mf4", _classic(100))
    taken_out = mf4_library._taken_out

    def other_ids(path: Path, folder: Path, name: str) -> dict[str, Any]:  # Any: it was JSON
        return taken_out(path, folder, name) | {"ids": [1]}

    monkeypatch.setattr(mf4_library, "_taken_out", other_ids)
    with pytest.raises(InputError, match="two ways of reading"):
        read_all(Mf4Reader(), path)


def _packed_oddly(path: Path, written: list[Sample]) -> Path:
    return _by_asammdf(path, written, version="4.30", compression=3)


def test_a_file_packed_oddly_is_read_through_the_library(tmp_path: Path) -> None:
    written = _classic(100)
    path = _packed_oddly(tmp_path / "ride.mf4", written)
    for log in (path, path.read_bytes()):
        read, report = read_all(Mf4Reader(), log)
        assert read == written
        assert not report.problems


def test_only_odd_layouts_need_the_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = _by_asammdf(tmp_path / "plain.mf4", _classic(10), compression=2)
    odd = _packed_oddly(tmp_path / "odd.mf4", _classic(10))
    monkeypatch.setitem(sys.modules, "asammdf", None)
    assert len(read_all(Mf4Reader(), plain)[0]) == 10
    with pytest.raises(MissingExtraError) as caught:
        read_all(Mf4Reader(), odd)
    assert "pip install canassist[mf4]" in caught.value.fix


def test_a_file_that_the_library_fails_on_is_refused(tmp_path: Path) -> None:
    log = bytearray(_packed_oddly(tmp_path / "ride.mf4", _classic(100)).read_bytes())
    at = log.index(b"##DZ") + 48
    log[at : at + 200] = bytes(200)
    with pytest.raises(InputError, match="asammdf") as caught:
        read_all(Mf4Reader(), bytes(log))
    assert caught.value.fix


# Hostile files


def test_lists_without_end_are_refused() -> None:
    log = bytearray(mf4_log(_classic(5)))
    for kind in (b"##DG", b"##CG", b"##CN"):
        at = log.index(kind)
        evil = log.copy()
        struct.pack_into("<Q", evil, at + 24, at)
        with contextlib.suppress(InputError):
            read, report = read_all(Mf4Reader(), bytes(evil))
            assert report.problems
            assert len(read) <= 5


def test_one_data_block_cannot_be_read_again_and_again() -> None:
    written = _classic(20)
    pack = Packer()
    data = pack.block(b"DT", [], b"".join(map(_record, written)))
    listed = pack.block(b"DL", [0, *[data] * 5000], struct.pack("<B3xIQ", 1, 5000, 20 * SIZE))
    for _ in range(50):
        pack.data_group([pack.group(_channels(pack), count=20, size=SIZE)], listed)
    read, report = read_all(Mf4Reader(), bytes(pack.body))
    assert read == written
    assert "named twice" in report.problems[0].what


def test_a_packed_block_cannot_claim_more_than_deflate_can_give() -> None:
    log = bytearray(mf4_log(_classic(50), packed="deflated"))
    at = log.index(b"##DZ") + 24
    struct.pack_into("<Q", log, at + 8, 1 << 60)
    read, report = read_all(Mf4Reader(), bytes(log))
    assert len(read) <= 25
    assert "claims" in report.problems[0].what


def test_it_is_a_reader() -> None:
    assert isinstance(Mf4Reader(), LogReader)
    assert not Mf4Reader().matches(b"MDF     3.30")


@pytest.mark.slow
@settings(
    max_examples=3000, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data(), noise=st.lists(st.binary(max_size=12), min_size=1, max_size=6))
def test_nothing_makes_it_fail(
    monkeypatch: pytest.MonkeyPatch, data: st.DataObject, noise: list[bytes]
) -> None:
    monkeypatch.setitem(sys.modules, "asammdf", None)  # it runs apart, a second for each file
    kind = data.draw(st.integers(0, 4))
    written = _classic(20)
    log = bytearray(
        mf4_log(written, packed=("", "deflated", "turned")[kind])
        if kind < 3
        else _mixed_file(written, data_first=True, apart=kind == 4)
    )
    for piece in noise:
        at = data.draw(st.integers(16, len(log) - 1))
        log[at : at + len(piece)] = piece
    cut = data.draw(st.integers(64, len(log)) | st.just(len(log)))
    with contextlib.suppress(InputError, MissingExtraError):
        read_all(Mf4Reader(), io.BytesIO(bytes(log[:cut])))
