"""TRC traces: every version, read whole and read damaged."""

from __future__ import annotations

import random
import time
from typing import TYPE_CHECKING

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canassist.frames.base import LogReader, ReadRequest
from canassist.frames.formats.trc.trc import TrcReader
from canassist.model import EXTENDED_KEY, FrameFlag, IdSet
from tests.frames.frame_samples import FD_LENGTHS, Sample, frames, message, read_all, same_but_time

if TYPE_CHECKING:
    from pathlib import Path

MS_NS = 1_000_000
KIND = {
    FrameFlag(0): "DT",
    FrameFlag.REMOTE: "RR",
    FrameFlag.FD: "FD",
    FrameFlag.FD | FrameFlag.BIT_RATE_SWITCH: "FB",
    FrameFlag.FD | FrameFlag.BIT_RATE_SWITCH | FrameFlag.ERROR_STATE: "FE",
    FrameFlag.FD | FrameFlag.ERROR_STATE: "BI",
}


def _hex(data: bytes) -> str:
    return data.hex(" ").upper()


def trc_line(version: str, number: int, one: Sample) -> str:
    """Write a frame line as the format's description lays it out."""
    milliseconds, rest = divmod(one.time_ns, MS_NS)
    time = f"{milliseconds}.{rest // 1000:03d}"
    can_id = f"{one.can_id:08X}" if one.has(FrameFlag.EXTENDED) else f"{one.can_id:04X}"
    way = "Tx" if one.has(FrameFlag.SENT) else "Rx"
    data = "RTR" if one.has(FrameFlag.REMOTE) else _hex(one.data)
    if version == "1.0":
        return f"{number:>6}) {milliseconds:>9}  {can_id:>8}  {one.length}  {data}"
    if version == "1.1":
        tenth = f"{milliseconds}.{rest // 100_000}"
        return f"{number:>6}) {tenth:>11}  {way}     {can_id:>8}  {one.length}  {data} "
    if version == "1.2":
        return f"{number:>6}) {time:>13} {one.bus}  {way}    {can_id:>8} {one.length}  {data}"
    if version == "1.3":
        return f"{number:>6}) {time:>13} {one.bus}  {way}    {can_id:>8} -  {one.length}    {data}"
    kind = KIND[FrameFlag(one.flags) & ~(FrameFlag.SENT | FrameFlag.EXTENDED)]
    data = "" if one.has(FrameFlag.REMOTE) else _hex(one.data)
    if version == "2.0":
        return f"{number:>7} {time:>13} {kind} {can_id:>8} {way} {one.length:<2} {data}"
    code = FD_LENGTHS.index(one.length)
    return f"{number:>7} {time:>13} {kind} {one.bus:<2} {can_id:>8} {way} -  {code:<4} {data}"


HEADERS = {
    "1.0": ";##########\n;   C:\\ride.trc\n;    Start time: 11.09.2002 16:00:20.682\n",
    "1.1": ";$FILEVERSION=1.1\n;$STARTTIME=44548.6028595139\n;\n",
    "1.2": ";$FILEVERSION=1.2\n;$STARTTIME=44548.6028595139\n",
    "1.3": ";$FILEVERSION=1.3\n;$STARTTIME=44548.6028595139\n;   Bus  Name\n",
    "2.0": ";$FILEVERSION=2.0\n;$STARTTIME=44548.6028595139\n;$COLUMNS=N,O,T,I,d,l,D\n",
    "2.1": ";$FILEVERSION=2.1\n;$STARTTIME=44548.6028595139\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n",
}
TIME_STEP_NS = {"1.0": MS_NS, "1.1": MS_NS // 10}


def _trace(version: str, many: list[Sample]) -> bytes:
    lines = [trc_line(version, number, one) for number, one in enumerate(many, start=1)]
    return (HEADERS[version] + "".join(f"{line}\n" for line in lines)).encode()


def _drawn(version: str) -> st.SearchStrategy[list[Sample]]:
    return st.lists(
        frames(
            time_step_ns=TIME_STEP_NS.get(version, 1000),
            start_ns=0,
            buses=("1", "2") if version in {"1.2", "1.3", "2.1"} else ("1",),
            fd=version.startswith("2"),
            direction=version != "1.0",
        ),
        min_size=1,
        max_size=12,
    )


@given(data=st.data(), version=st.sampled_from(sorted(HEADERS)))
def test_frames_of_every_version_come_back(data: st.DataObject, version: str) -> None:
    written = data.draw(_drawn(version))
    read, report = read_all(TrcReader(), _trace(version, written))
    assert read == written
    assert not report.problems


@given(data=st.data(), version=st.sampled_from(sorted(HEADERS)))
def test_a_trace_that_lost_its_header_is_recognised_by_its_lines(
    data: st.DataObject, version: str
) -> None:
    written = data.draw(_drawn(version))
    whole = _trace(version, written)
    body = whole[len(HEADERS[version]) :]
    if version == "2.0":  # whether a number is a length or its code cannot be seen from a line
        written = [one for one in written if one.length <= 8]
        body = _trace(version, written)[len(HEADERS[version]) :]
    if not written:
        return
    assert TrcReader().matches(body)
    read, _ = read_all(TrcReader(), body)
    assert read == written


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=20)
@given(written=st.lists(frames(start_ns=0, remote=False, fd=False, latest_s=1000), min_size=1))
def test_what_python_can_writes_is_read_back(tmp_path: Path, written: list[Sample]) -> None:
    written.sort()
    path = tmp_path / "ride.trc"
    with can.TRCWriter(path) as writer:
        for one in written:
            writer.on_message_received(message(one))
    read, report = read_all(TrcReader(), path)
    assert not report.problems
    first = written[0].time_ns
    assert [one.time_ns for one in read] == [one.time_ns - first for one in written]
    expected = [one._replace(bus=str(int(one.bus[-1]) + 1), time_ns=0) for one in written]
    assert [one._replace(time_ns=0) for one in read] == expected


def _traces(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.trc"))


def test_real_traces_are_read_as_python_can_reads_them(shared_data: Path) -> None:
    paths = _traces(shared_data)
    assert len(paths) >= 10
    for path in paths:
        read, report = read_all(TrcReader(), path)
        data = [one for one in read if not one.has(FrameFlag.ERROR)]
        theirs = list(can.TRCReader(path))
        assert not report.problems
        assert report.start_utc is None
        assert (report.start_local is None) == ("V1_0" in path.name)
        assert len(data) == len(theirs)
        assert all(same_but_time(one, other) for one, other in zip(data, theirs, strict=True))
        zero_s = theirs[0].timestamp - data[0].time_ns / 1e9
        assert [one.time_ns / 1e9 + zero_s for one in data] == pytest.approx(
            [other.timestamp for other in theirs], abs=2e-6
        )


def test_times_are_exact() -> None:
    """A million tenths of a millisecond do not add up to a rounding error."""
    line = "     1) 123456789.1  Rx         0123  1  00 \n"
    (one,), _ = read_all(TrcReader(), (HEADERS["1.1"] + line).encode())
    assert one.time_ns == 123_456_789_100_000


@pytest.mark.parametrize("version", sorted(HEADERS))
def test_only_wanted_frames_carry_their_payload(version: str) -> None:
    written = [
        Sample(0, "1", 0x123, 0, 2, b"\x01\x02"),
        Sample(MS_NS, "1", 0x123, FrameFlag.EXTENDED, 2, b"\x03\x04"),
        Sample(2 * MS_NS, "1", 0x7FF, 0, 1, b"\x05"),
    ]
    request = ReadRequest(wanted=IdSet([0x123 | EXTENDED_KEY]))
    read, _ = read_all(TrcReader(), _trace(version, written), request)
    assert [one.data for one in read] == [b"", b"\x03\x04", b""]
    request = ReadRequest(wanted=IdSet([0x123 | EXTENDED_KEY]), headers=False)
    read, _ = read_all(TrcReader(), _trace(version, written), request)
    assert read == written[1:2]


def test_a_busy_bus_and_an_overrun_are_told_in_the_kernels_terms() -> None:
    """Class 004 is the controller, 040 bus off; detail byte 1 (linux/can/error.h)."""
    lines = (
        "     1)        10.0  Rx         0123  1  00 \n"
        "     2)        20.0  Warng  FFFFFFFF  4  00 00 00 08  BUSHEAVY \n"
        "     3)        30.0  Warng  FFFFFFFF  4  00 00 00 10  BUSOFF \n"
        "     4)        40.0  Warng  FFFFFFFF  4  00 00 00 00   \n"
        "     5)        50.0  Warng  FFFFFFFF  4  00 00 00 02  OVERRUN \n"
        "     6)        60.0  Error      0004  4  00 19 08 03 \n"
    )
    read, report = read_all(TrcReader(), (HEADERS["1.1"] + lines).encode())
    errors = [one for one in read if one.has(FrameFlag.ERROR)]
    assert [(one.can_id, one.data[1]) for one in errors[:4]] == [
        (0x004, 0x30),
        (0x040, 0x00),
        (0x004, 0x40),
        (0x004, 0x01),
    ]
    assert errors[4].can_id == 0x288
    assert errors[4].data[2] == 0x04
    assert errors[4].data[6:] == bytes([3, 8])
    assert report.recorder_losses_ns == [50 * MS_NS]
    assert not report.problems


@pytest.mark.parametrize(
    ("version", "line"),
    [
        ("2.0", "      6      1334.522 ER          Rx    04 01 02 08 03 "),
        ("2.1", "      6      1334.522 ER 1         - Rx -  5    04 01 02 08 03 "),
    ],
)
def test_an_error_frame_of_version_2_has_its_kind_among_its_bytes(version: str, line: str) -> None:
    """The description's own lines, with counters: stuff error (04) at place 02."""
    text = f"{HEADERS[version]}{line}\n"
    (one,), report = read_all(TrcReader(), text.encode())
    assert (one.can_id, one.data.hex()) == (0x288, "0000040200000308")
    assert not report.problems


def test_a_second_trace_in_the_same_file_goes_on_at_its_own_start() -> None:
    one = Sample(MS_NS, "1", 0x10, 0, 1, b"\x01")
    first = _trace("2.0", [one])
    second = _trace("2.1", [one._replace(bus="2")]).replace(b"44548.6", b"44549.6")
    read, _ = read_all(TrcReader(), first + second)
    assert [frame.time_ns for frame in read] == [MS_NS, MS_NS + 86_400_000_000_000]
    assert [frame.bus for frame in read] == ["1", "2"]


def test_a_loss_in_a_second_trace_counts_from_the_first_one_s_start() -> None:
    trace = (
        ";$FILEVERSION=1.1\n;$STARTTIME={}\n     1)        50.0  Warng  FFFFFFFF  4  00 00 00 02\n"
    )
    _, report = read_all(TrcReader(), (trace.format("40000.0") + trace.format("40000.5")).encode())
    half_a_day_ms = 12 * 3600 * 1000
    assert report.recorder_losses_ns == [50 * MS_NS, (half_a_day_ms + 50) * MS_NS]


def test_a_start_before_any_recorder_was_there_is_no_date() -> None:
    text = ";$FILEVERSION=1.1\n;$STARTTIME=0\n     1)        50.0  Rx         0100  1  01\n"
    (one,), report = read_all(TrcReader(), text.encode())
    assert one.time_ns == 50 * MS_NS
    assert report.start_local is None


def test_a_file_of_nothing_but_headers_takes_no_long_time() -> None:
    begin = time.process_time()
    read, _ = read_all(TrcReader(), b";$FILEVERSION=1.1\n" * 100_000)
    assert not read
    assert time.process_time() - begin < 10


@pytest.mark.parametrize("version", sorted(HEADERS))
def test_a_cut_loses_only_the_frame_that_it_cuts(version: str) -> None:
    written = [Sample(n * MS_NS, "1", n, 0, 8, bytes([n] * 8)) for n in range(1, 40)]
    whole = _trace(version, written)
    chance = random.Random(version)  # noqa: S311 - not a secret
    for _ in range(50):
        cut = chance.randrange(len(HEADERS[version]), len(whole))
        complete = whole[:cut].count(b"\n") - HEADERS[version].count("\n")
        read, _ = read_all(TrcReader(), whole[:cut])
        assert read[:complete] == written[:complete]
        assert len(read) <= complete + 1


def test_damage_is_named_with_its_lines_and_the_rest_is_kept() -> None:
    written = [Sample(n * MS_NS, "1", n, 0, 2, b"\x11\x22") for n in range(1, 7)]
    lines = _trace("1.1", written).decode().splitlines(keepends=True)
    lines[5] = "     3)         3.0  Rx         0003  2  11 2\n"
    lines[6] = "     4)     garbage\n"
    read, report = read_all(TrcReader(), "".join(lines).encode())
    assert read == [*written[:2], *written[4:]]
    assert report.skipped == 2
    (problem,) = report.problems
    assert problem.where == "lines 6 to 7"
    assert "2 lines" in problem.what


@pytest.mark.parametrize(
    "garble",
    [
        lambda text: text.decode().encode("utf-16"),
        lambda text: text.decode().encode("utf-16-le"),
        lambda text: text.replace(b"\n", b"\r\n"),
        lambda text: text.replace(b"\n", b"\r"),
        lambda text: b"\xef\xbb\xbf" + text,
        lambda text: text.rstrip(b"\n"),
    ],
    ids=["utf-16", "utf-16 without mark", "crlf", "cr", "utf-8 mark", "no last end"],
)
def test_encodings_and_line_ends_do_not_matter(garble: object) -> None:
    written = [Sample(n * MS_NS, "1", n, 0, 2, b"\x11\x22") for n in range(1, 7)]
    text: bytes = garble(_trace("2.1", written))  # type: ignore[operator]  # a function from above
    assert TrcReader().matches(text[:4096])
    read, report = read_all(TrcReader(), text)
    assert read == written
    assert not report.problems


def test_zero_bytes_in_a_text_are_counted_and_told() -> None:
    written = [Sample(n * MS_NS, "1", n, 0, 2, b"\x11\x22") for n in range(1, 7)]
    text = _trace("2.1", written)
    read, report = read_all(TrcReader(), text.replace(b"\n", b"\n\0\0\0\0", 4))
    assert read == written
    (problem,) = report.problems
    assert problem.what.startswith("16 zero bytes")
    _, report = read_all(TrcReader(), text + bytes(7))
    (behind,) = report.problems
    assert (behind.what, behind.grave) == ("7 zero bytes behind the text", False)


def test_it_is_a_reader() -> None:
    assert isinstance(TrcReader(), LogReader)


@pytest.mark.parametrize(
    "head", [b"", b"(1.0) can0 123#11\n", b"time,id,data\n1,2,3\n", b"\x00" * 100, b"; a note\n"]
)
def test_other_files_are_not_taken_for_traces(head: bytes) -> None:
    assert not TrcReader().matches(head)


_BITS = st.sampled_from(
    [
        b"FFFFFFFF",
        b" RTR",
        b"ST ",
        b"ER ",
        b"2.1",
        b"\n",
        b"\r",
        b"\0",
        b";$COLUMNS=",
        b";$FILEVERSION=",
    ]
)


@pytest.mark.slow
@settings(max_examples=3000, deadline=None)
@given(
    data=st.data(), version=st.sampled_from(sorted(HEADERS)), noise=st.lists(st.binary() | _BITS)
)
def test_nothing_makes_it_fail(data: st.DataObject, version: str, noise: list[bytes]) -> None:
    text = bytearray(_trace(version, data.draw(_drawn(version))))
    for piece in noise:
        at = data.draw(st.integers(0, len(text)))
        text[at : at + data.draw(st.integers(0, 8))] = piece
    TrcReader().matches(bytes(text[:4096]))
    read_all(TrcReader(), bytes(text))
