"""BLF logs: every object type, every way of packing, past damage."""

from __future__ import annotations

import io
import struct
import time
import zlib
from datetime import datetime
from typing import TYPE_CHECKING

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canassist.errors import InflationError
from canassist.frames.base import LogReader, ReadRequest
from canassist.frames.formats.blf.blf import BlfReader
from canassist.frames.formats.blf.blf_containers import Containers
from canassist.frames.unpack.inflate import InflationLimits
from canassist.model import FrameFlag, IdSet, ReadReport
from tests.frames.blf_writer import HEADER_BYTES, Packing, an_object, file_header, object_of
from tests.frames.frame_samples import Sample, frames, message, read_all

if TYPE_CHECKING:
    from pathlib import Path

ERROR = FrameFlag.ERROR
PLAIN = Packing(size=0)


def _sample(number: int, data: bytes = b"\x01\x02") -> Sample:
    return Sample(number * 1_000_000, "1", 0x100 + number, 0, len(data), data)


def _file(*objects: bytes, packing: Packing = PLAIN) -> bytes:
    first, last = object_of(_sample(0)), object_of(_sample(9))
    return packing.file([first, *objects, last])


def _between(*objects: bytes) -> tuple[list[Sample], ReadReport]:
    """Read objects that stand between two ordinary frames; return what they gave."""
    read, report = read_all(BlfReader(), _file(*objects))
    assert read[0] == _sample(0)
    assert read[-1] == _sample(9)
    return read[1:-1], report


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(written=st.lists(frames(), min_size=1, max_size=10), level=st.sampled_from([-1, 0, 9]))
def test_what_python_can_writes_is_read_back(
    tmp_path: Path, written: list[Sample], level: int
) -> None:
    """It gives the start in whole milliseconds, times from there, and channels from 0."""
    written.sort()
    path = tmp_path / "ride.blf"
    with can.BLFWriter(path, compression_level=level) as log:
        for one in written:
            log.on_message_received(message(one))
    read, report = read_all(BlfReader(), path)
    assert [one._replace(time_ns=0) for one in read] == [
        one._replace(time_ns=0, bus=str(int(one.bus.removeprefix("can")) + 1)) for one in written
    ]
    for ours, theirs in zip(read, written, strict=True):
        between = (ours.time_ns - read[0].time_ns) - (theirs.time_ns - written[0].time_ns)
        assert abs(between) <= 1000  # it rounds floats
    assert not report.problems


@pytest.mark.parametrize("size", [0, 1, 15, 16, 17, 31, 47, 48, 49, 100, 1 << 17])
@pytest.mark.parametrize("compress", [True, False])
def test_objects_cross_containers_of_any_size(size: int, *, compress: bool) -> None:
    written = [_sample(number, b"LOBJLOBJ") for number in range(12)]
    data = Packing(size, compress).file([object_of(one) for one in written])
    read, report = read_all(BlfReader(), data)
    assert read == written
    assert not report.problems


def test_a_payload_that_spells_an_object_is_none() -> None:
    """Data bytes that look like the header of an object, at an even place and at an odd one."""
    fake = struct.pack("<4sHHLL", b"LOBJ", 32, 1, 48, 1)
    written = [
        Sample(
            number, "1", 0x123, int(FrameFlag.FD), 64, (b"\0" * number + fake * 4)[:64].ljust(64)
        )
        for number in range(6)
    ]
    for kind in (100, 101):
        for packing in (PLAIN, Packing(50), Packing(1000, compress=False)):
            read, report = read_all(
                BlfReader(), packing.file([object_of(one, kind=kind) for one in written])
            )
            assert read == written
            assert not report.problems


def test_other_objects_are_passed_over() -> None:
    others = [an_object(kind, 5, bytes(40)) for kind in (4, 5, 11, 31, 65, 71, 92, 113, 200)]
    read, report = _between(*others)
    assert not read
    assert not report.problems


def test_objects_at_odd_places_are_found() -> None:
    """A text object of odd length, without the padding that should follow it."""
    odd = an_object(92, 5, b"a comment")
    data = (
        file_header() + object_of(_sample(1)) + odd + object_of(_sample(2)) + object_of(_sample(3))
    )
    read, report = read_all(BlfReader(), data)
    assert read == [_sample(1), _sample(2), _sample(3)]
    assert not report.problems


def test_error_frames_carry_what_the_file_tells_of_them() -> None:
    # channel, length, flags (1: the code is valid), code, position, dlc, -, id, flags, data
    told = struct.pack("<HHLBBBxLLH2x8s", 2, 0, 1, 0b10100010, 7, 0, 0, 0, 0, b"")
    silent = struct.pack("<HHLBBBxLLH2x8s", 2, 0, 0, 0b10100010, 7, 0, 0, 0, 0, b"")
    simple = struct.pack("<HH", 1, 0)
    fd = struct.pack("<BBBBHHHBBLLLLLLLHH", 1, 0, 0, 0b00000011, 1, *[0] * 13)
    read, report = _between(
        an_object(73, 1_000_000, told),
        an_object(73, 1_500_000, silent),
        an_object(2, 2_000_000, simple),
        an_object(104, 3_000_000, fd),
    )
    assert read == [
        Sample(1_000_000, "2", 0x88, int(ERROR), 8, bytes.fromhex("0000040200000000")),
        Sample(1_500_000, "2", 0, int(ERROR), 0, b""),
        Sample(2_000_000, "1", 0, int(ERROR), 0, b""),
        Sample(3_000_000, "1", 0x88, int(ERROR), 8, bytes.fromhex("0000010300000000")),
    ]
    assert not report.problems


def test_what_the_recorder_lost_is_its_own_loss() -> None:
    begin = an_object(125, 1_000_000, struct.pack("<L", 0))
    end = an_object(126, 2_000_000, struct.pack("<LQL", 0, 1_000_000, 17))
    read, report = _between(begin, end)
    assert not read
    assert report.recorder_losses_ns == [1_000_000, 2_000_000]
    assert "17 events" in report.problems[0].what


def test_data_that_an_object_lacks_is_zero() -> None:
    """Type 101 may say that more bytes are valid than it holds; the rest is zero."""
    whole = Sample(5, "1", 0x123, int(FrameFlag.FD), 32, bytes(range(1, 33)))
    packed = object_of(whole, kind=101)[:-16]
    packed = packed[:8] + struct.pack("<L", len(packed)) + packed[12:]
    read, _ = _between(packed)
    assert read == [whole._replace(data=bytes(range(1, 17)) + bytes(16))]


def test_extra_data_behind_a_frame_is_not_its_data() -> None:
    """Type 101 may carry more behind the frame, and says where that begins."""
    whole = Sample(5, "1", 0x123, int(FrameFlag.FD), 8, bytes(range(1, 9)))
    packed = bytearray(object_of(whole, kind=101) + b"\xee" * 24)
    packed[8:12] = struct.pack("<L", len(packed))
    packed[32 + 35] = 32 + 40 + 8  # offset of the extra data from the object's beginning
    read, _ = _between(bytes(packed))
    assert read == [whole]


def test_an_object_too_small_for_its_type_is_counted() -> None:
    small = an_object(1, 5, b"\x01\x00\x00\x08")
    read, report = _between(small)
    assert not read
    assert report.skipped == 1


def test_the_start_is_a_date_without_zone() -> None:
    _, report = read_all(BlfReader(), _file())
    assert report.start_local == datetime(2026, 11, 24, 10, 20, 30, 250_000)
    assert report.start_utc is None


@pytest.mark.parametrize("size", [100, 1 << 17])
def test_a_damaged_container_costs_only_what_was_in_it(size: int) -> None:
    written = [_sample(number, bytes(8)) for number in range(60)]
    packing = Packing(size)
    stream = b"".join(object_of(one) for one in written)
    containers = [packing.container(stream[at : at + size]) for at in range(0, len(stream), size)]
    middle = len(containers) // 2
    broken = bytearray(containers[middle])
    broken[36:44] = b"\xff" * 8
    containers[middle] = bytes(broken)
    read, report = read_all(BlfReader(), file_header() + b"".join(containers))
    first, last = middle * size // 48, -(-(middle + 1) * size // 48)
    kept = {one.can_id for one in read}
    assert {one.can_id for one in written[:first]} <= kept
    assert {one.can_id for one in written[last:]} <= kept
    assert all(one in written for one in read)
    assert any("container is damaged" in problem.what for problem in report.problems)


def test_a_container_that_is_missing_makes_no_frame_of_two_halves() -> None:
    written = [_sample(number, bytes([number] * 8)) for number in range(60)]
    stream = b"".join(object_of(one) for one in written)
    packing = Packing(1000)
    containers = [packing.container(stream[at : at + 1000]) for at in range(0, len(stream), 1000)]
    del containers[1]
    read, _ = read_all(BlfReader(), file_header() + b"".join(containers))
    assert all(one in written for one in read)
    assert len(read) >= 60 - 1000 // 48 - 2


def test_a_bomb_ends_in_a_clear_message(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "canassist.frames.formats.blf.blf_containers.InflationLimits",
        lambda: InflationLimits(free_bytes=1 << 20, max_ratio=100),
    )
    bomb = Packing(1 << 22).container(bytes(1 << 22))
    with pytest.raises(InflationError, match="inflate to more than"):
        read_all(BlfReader(), file_header() + bomb)


def test_containers_of_an_unknown_method_are_skipped() -> None:
    strange = bytearray(Packing(compress=False).container(object_of(_sample(5))))
    strange[16] = 7
    data = file_header() + object_of(_sample(1)) + bytes(strange) + object_of(_sample(2))
    read, report = read_all(BlfReader(), data)
    assert read == [_sample(1), _sample(2)]
    assert "unknown method 7" in report.problems[0].what


def test_a_lost_file_header_does_not_cost_the_log() -> None:
    data = _file()[HEADER_BYTES:]
    for log in (data, b"\0" * 500 + data, b"noise" + data):
        assert BlfReader().matches(log[:4096])
        read, _ = read_all(BlfReader(), log)
        assert read == [_sample(0), _sample(9)]


def test_an_hour_of_objects_is_never_held_at_once() -> None:
    """Containers come out in pieces of a megabyte at most, however large they are."""
    large = Packing(size=1 << 24).file([object_of(_sample(1))] * 200_000)
    sizes = [len(piece or b"") for piece in Containers(io.BytesIO(large), ReadReport())]
    assert max(sizes) <= 1 << 20
    assert sum(sizes) == 48 * 200_000


@settings(max_examples=100)
@given(
    noise=st.lists(st.tuples(st.integers(0, 3000), st.binary(max_size=20)), max_size=6),
    packing=st.sampled_from([PLAIN, Packing(200), Packing(500, compress=False)]),
)
def test_nothing_makes_it_fail(noise: list[tuple[int, bytes]], packing: Packing) -> None:
    data = bytearray(packing.file([object_of(_sample(number)) for number in range(30)]))
    for place, bytes_there in noise:
        data[place : place + len(bytes_there)] = bytes_there
    read_all(BlfReader(), bytes(data))
    read_all(BlfReader(), bytes(data), ReadRequest(wanted=IdSet([0x105]), headers=False))


def test_the_format_libraries_own_logs_are_read(shared_data: Path) -> None:
    for name in ("test_CanMessage.blf", "test_CanMessage2.blf"):
        read, report = read_all(BlfReader(), shared_data / "containers" / name)
        with can.BLFReader(shared_data / "containers" / name) as log:
            theirs = list(log)
        assert [(one.can_id, int(one.bus) - 1, one.data) for one in read] == [
            (one.arbitration_id, one.channel, bytes(one.data)[:8]) for one in theirs
        ]
        assert not report.problems


def test_impossible_times_are_told_with_their_place() -> None:
    good = Sample(1_000_000, "1", 0x123, 0, 1, b"\x01")
    never = (1 << 63) + 5
    bad = [object_of(good._replace(time_ns=never)), an_object(2, never, b"\x01\0\0\0")]
    read, report = read_all(BlfReader(), Packing().file([object_of(good), *bad]))
    assert read == [good]
    assert report.skipped == 2
    assert all(problem.where.startswith("before byte") for problem in report.problems)


def test_garbage_full_of_marks_takes_no_long_time() -> None:
    data = Packing().file([]) + (b"LOBJ" + b"x" * 28) * 100_000
    begin = time.monotonic()
    read, report = read_all(BlfReader(), data)
    assert time.monotonic() - begin < 8.0  # it took eighteen seconds
    assert not read
    assert report.problems


def test_an_unmarked_zlib_stream_is_not_a_log() -> None:
    assert not BlfReader().matches(zlib.compress(b"LOBJ" * 100))
    assert not BlfReader().matches(b"")
    assert isinstance(BlfReader(), LogReader)
