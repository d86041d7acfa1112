"""ASC logs: header, both bases, absolute and relative times, every kind of line."""

from __future__ import annotations

import time
from datetime import datetime
from typing import TYPE_CHECKING

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canassist.frames.base import LogReader, ReadRequest
from canassist.frames.formats.asc.asc import AscReader
from canassist.frames.formats.asc.asc_dates import read_date
from canassist.model import FrameFlag, IdSet
from tests.frames.frame_samples import Sample, frames, message, read_all
from tests.frames.text_writers import ASC_HEADER, asc_line

if TYPE_CHECKING:
    from pathlib import Path

S = 1_000_000_000
EXTENDED, ERROR, REMOTE = FrameFlag.EXTENDED, FrameFlag.ERROR, FrameFlag.REMOTE
FD, SWITCH, STATE, SENT = (
    FrameFlag.FD,
    FrameFlag.BIT_RATE_SWITCH,
    FrameFlag.ERROR_STATE,
    FrameFlag.SENT,
)
FD_TAIL = " 130000 130 {flags} 0 46500250 460a0250 20010a08 20011a02"


def _read(*lines: str, header: str = ASC_HEADER) -> list[Sample]:
    read, report = read_all(AscReader(), (header + "".join(f"{line}\n" for line in lines)).encode())
    assert not report.problems, report.problems
    return read


@pytest.mark.parametrize(
    ("line", "can_id", "flags", "length", "data"),
    [
        ("1.5 1  123  Rx  d 4 DE AD BE EF", 0x123, 0, 4, "DEADBEEF"),
        ("1.5 1  C8             Tx   d 2 09 08", 0xC8, SENT, 2, "0908"),
        ("1.5 1  18EBFF00x  Rx d 1 01   Length = 273910 BitCount = 141 ID = 418119424x",
         0x18EBFF00, EXTENDED, 1, "01"),
        ("1.5 1  123x  Rx d 0", 0x123, EXTENDED, 0, ""),
        ("1.5 1  7  Rx d 0 ", 0x7, 0, 0, ""),
        # python-can gives length 64 for the length codes above 8 of a classic frame
        ("1.5 1  123 Rx d f 01 02 03 04 05 06 07 08", 0x123, 0, 8, "0102030405060708"),
        ("1.5 1 100 Tx r", 0x100, REMOTE | SENT, 0, ""),
        ("1.5 1 200 Tx r Length = 1704000 BitCount = 145 ID = 88888888x",
         0x200, REMOTE | SENT, 0, ""),
        ("1.5 1 300 Rx r 8 Length = 1704000 BitCount = 145", 0x300, REMOTE, 8, ""),
        ("1.5 CANFD   1 Rx  123  1 0 9 12 " + "5A " * 12, 0x123, FD | SWITCH, 12, "5A" * 12),
        ("1.5 CANFD   1 Tx  1234567x  a_name 0 1 2 2 01 02" + FD_TAIL.format(flags="5000"),
         0x1234567, FD | SENT | STATE | EXTENDED, 2, "0102"),
        ("1.5 CANFD 1 Rx 123 0 0 0 0 " + FD_TAIL.format(flags="1000"), 0x123, FD, 0, ""),
        # a classic frame that is logged as the FD event; python-can takes it for an FD frame
        ("1.5 CANFD 1 Rx 123 0 0 2 2 01 02" + FD_TAIL.format(flags="0"), 0x123, 0, 2, "0102"),
        ("1.5 CANFD 1 Rx 123 0 0 4 0 " + FD_TAIL.format(flags="10"), 0x123, REMOTE, 4, ""),
        ("1.5 1 ErrorFrame", 0, ERROR, 0, ""),
        ("1.5 CANFD 1 Rx ErrorFrame Not Acknowledge error", 0, ERROR, 0, ""),
        # stuff error at place 2: CAN_ERR_PROT and CAN_ERR_BUSERROR of linux/can/error.h
        ("1.5 1 ErrorFrame ECC: 10100010", 0x88, ERROR, 8, "0000040200000000"),
        ("1.5 1 ErrorFrame Flags = 0xe CodeExt = 0x20a2 Code = 0x82 ID = 0 DLC = 0",
         0, ERROR, 0, ""),
    ],
)  # fmt: skip
def test_every_kind_of_frame(line: str, can_id: int, flags: int, length: int, data: str) -> None:
    frame = Sample(1_500_000_000, "1", can_id, int(flags), length, bytes.fromhex(data))
    before = Sample(S, "1", 0x7FF, 0, 1, b"\x01")
    behind = before._replace(time_ns=2 * S)
    assert _read("1.0 1  7FF  Rx d 1 01", line, "2.0 1  7FF  Rx d 1 01") == [before, frame, behind]


@pytest.mark.parametrize(
    "line",
    [
        "   0.015991 CAN 1 Status:chip status error passive - TxErr: 132 RxErr: 0",
        "   1.015991 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
        "   3.297743 1  J1939TP FEE3p        6    0  0   -   Rx   d 23 A0 0F A6 60",
        "   1.000000 Start of measurement",
        "   1.000000 1  123             TxRq d 1 01",  # asked for; it comes again when sent
        "// a comment",
        "no internal events logged",
        "End TriggerBlock",
        "",
    ],
)
def test_other_events_are_passed_over(line: str) -> None:
    assert len(_read("1.0 1  7FF  Rx d 1 01", line, "2.0 1  7FF  Rx d 1 01")) == 2


@pytest.mark.parametrize(
    "line",
    [
        "   1.500000 1  123             Rx   d 8 01 02 03",
        "   1.500000 1  123             Rx   d 2 01 0",
        "   1.500000 1  123             Rx   d 2 01X02",
        "   1.500000 1  800             Rx   d 1 01",
        "   1.500000 1  20000000x       Rx   d 1 01",
        "   1.500000 1  1234",
        "   1.500000 1",
        "   1.500000 CANFD 1 Rx 123 1 0 9 12 01 02",
        "xyz",
        "\x01\x02garbage",
    ],
)
def test_a_damaged_line_is_counted_with_its_place(line: str) -> None:
    text = ASC_HEADER + f"   1.0 1  7FF  Rx d 1 01\n{line}\n   2.0 1  7FF  Rx d 1 01\n"
    read, report = read_all(AscReader(), text.encode())
    assert len(read) == 2
    assert report.problems
    assert str(ASC_HEADER.count("\n") + 2) in report.problems[0].where


def test_the_decimal_base_holds_for_identifiers_and_data() -> None:
    header = ASC_HEADER.replace("base hex", "base dec")
    frames_read = _read("1.0 1  291  Rx d 3 222 173 9", "1.5 1  418119424x Rx d 0", header=header)
    assert [(one.can_id, one.data.hex()) for one in frames_read] == [
        (0x123, "dead09"),
        (0x18EBFF00, ""),
    ]


def test_a_length_code_above_9_may_be_written_with_two_digits() -> None:
    data = " ".join(str(byte) for byte in range(16))
    line = f"1.0 CANFD 1 Rx 291 0 0 10 16 {data} 130000 130 4096 0"
    (one,) = _read(line, header=ASC_HEADER.replace("base hex", "base dec"))
    assert (one.length, one.data) == (16, bytes(range(16)))


def test_relative_times_add_up_over_all_lines() -> None:
    """Each counts from the line before, frame or not; python-can does not add them up."""
    header = ASC_HEADER.replace("absolute", "relative")
    lines = (
        "   0.100000 1  123             Rx   d 1 01",
        "   0.100000 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
        "   0.000001 1  456             Rx   d 1 02",
        "   0.100000 1  123x            Rx   d 1 03",
        "   0.000000 1 ErrorFrame",
    )
    read = _read(*lines, header=header)
    assert [one.time_ns for one in read] == [100_000_000, 200_001_000, 300_001_000, 300_001_000]
    request = ReadRequest(wanted=IdSet([0x456]), headers=False)
    text = header + "".join(f"{line}\n" for line in lines)
    only, _ = read_all(AscReader(), text.encode(), request)
    assert [(one.time_ns, one.can_id) for one in only] == [(200_001_000, 0x456)]


@settings(max_examples=20)
@given(st.lists(st.integers(0, 5_000_000), min_size=1, max_size=400))
def test_relative_times_add_up_exactly(steps_us: list[int]) -> None:
    header = ASC_HEADER.replace("absolute", "relative")
    lines = [f"{step // 1_000_000}.{step % 1_000_000:06d} 1  123  Rx d 1 01" for step in steps_us]
    total, expected = 0, []
    for step in steps_us:
        total += step * 1000
        expected.append(total)
    assert [one.time_ns for one in _read(*lines, header=header)] == expected


def test_times_grow_longer_on_the_way() -> None:
    lines = [
        f"{tenth / 10: 9.6f} 1  123             Rx   d 1 {tenth % 256:02X}"
        for tenth in range(20_000)
    ]
    assert [one.time_ns for one in _read(*lines)] == [
        tenth * 100_000_000 for tenth in range(20_000)
    ]


def test_a_second_stretch_that_counts_anew_is_placed_by_its_date() -> None:
    second = "Begin Triggerblock Sat Sep 30 15:07:13.191 2017"
    read = _read(
        "  10.000000 1  123             Rx   d 1 01",
        "End TriggerBlock",
        second,
        "   0.500000 1  123             Rx   d 1 02",
    )
    assert [one.time_ns for one in read] == [10 * S, 60 * S + S // 2]


def test_a_file_of_nothing_but_headers_takes_no_long_time() -> None:
    """Twenty times as many cost at most sixty times as much, not four hundred times."""
    taken = []
    for count in (5_000, 100_000):
        text = ASC_HEADER + "   0.010000 1  123  Rx   d 1 01\n" + "base hex\n" * count
        begin = time.process_time()
        read, report = read_all(AscReader(), text.encode())
        taken.append(time.process_time() - begin)
        assert len(read) == 1
        assert "more header lines" in report.problems[0].what
    assert taken[1] < 60.0 * max(taken[0], 0.01)


def test_a_second_stretch_is_placed_to_the_microsecond() -> None:
    second = "Begin Triggerblock Sun Oct 1 00:33:23.300 2017"  # 9:27:10.109 later
    lines = ("40000.0 1  123  Rx   d 1 01", second, "0.0 1  123  Rx   d 1 02")
    assert _read(*lines)[1].time_ns == 34_030_109_000_000


@pytest.mark.parametrize("year", ["1000", "9999"])
def test_a_second_stretch_with_a_torn_date_is_not_placed_by_it(year: str) -> None:
    second = f"Begin Triggerblock Sat Sep 30 15:07:13.191 {year}"
    lines = ("10.0 1  123  Rx   d 1 01", second, "0.5 1  123  Rx   d 1 02")
    read, report = read_all(AscReader(), (ASC_HEADER + "\n".join(lines) + "\n").encode())
    assert [one.time_ns for one in read] == [10 * S, S // 2]
    assert "not believed" in report.problems[0].what


def test_a_second_stretch_that_counts_on_is_left_alone() -> None:
    read = _read(
        "  10.000000 1  123             Rx   d 1 01",
        "Begin Triggerblock Sat Sep 30 15:07:13.191 2017",
        "  60.500000 1  123             Rx   d 1 02",
    )
    assert [one.time_ns for one in read] == [10 * S, 60 * S + S // 2]


def test_the_start_is_a_date_without_zone() -> None:
    _, report = read_all(AscReader(), (ASC_HEADER + "1.0 1  123 Rx d 1 01\n").encode())
    assert report.start_local == datetime(2017, 9, 30, 15, 6, 13, 191_000)
    assert report.start_utc is None
    assert report.epoch == "file"


def test_what_the_recorder_lost_is_its_own_loss() -> None:
    text = ASC_HEADER + "1.0 1  123 Rx d 1 01\n1.25 CAN 1 Overrun\n1.5 1  123 Rx d 1 01\n"
    read, report = read_all(AscReader(), text.encode())
    assert len(read) == 2
    assert report.recorder_losses_ns == [1_250_000_000]
    assert len(report.problems) == 1


def test_a_loss_is_placed_where_relative_times_and_later_stretches_put_it() -> None:
    frame, lost = "1  123  Rx d 1 01", "1  Status: overrun"
    relative = ASC_HEADER.replace("absolute", "relative")
    lines = (f"0.5 {frame}", f"0.5 {frame}", f"0.25 {lost}", f"0.5 {frame}")
    _, report = read_all(AscReader(), (relative + "\n".join(lines) + "\n").encode())
    assert report.recorder_losses_ns == [1_250_000_000]
    lines = (
        f"10.0 {frame}",
        "Begin Triggerblock Sat Sep 30 15:07:13.191 2017",
        f"0.5 {frame}",
        f"0.75 {lost}",
    )
    _, report = read_all(AscReader(), (ASC_HEADER + "\n".join(lines) + "\n").encode())
    assert report.recorder_losses_ns == [60_750_000_000]


def test_a_frame_that_is_named_instead_of_numbered_is_not_lost_in_silence() -> None:
    lines = ("1.0 1  123  Rx d 1 01", "2.0 1  EngineData  Rx   d 2 01 02  Length = 0")
    read, report = read_all(AscReader(), (ASC_HEADER + "\n".join(lines) + "\n").encode())
    assert len(read) == 1
    assert report.skipped == 1
    assert report.problems[0].where == "line 8"


@pytest.mark.parametrize("mark", ["x", "X"])
def test_a_blank_where_others_have_their_identifier_ends_no_reading(mark: str) -> None:
    good = "1.500000 1  123             Rx   d 1 01"
    torn = good.replace("  123", f" {mark}   ")  # the mark where others have a blank
    text = ASC_HEADER + f"{good}\n{torn}\n{good.replace('1.5', '1.6')}\n"
    read, report = read_all(AscReader(), text.encode())
    assert [one.time_ns for one in read] == [1_500_000_000, 1_600_000_000]
    assert report.skipped == 1


def test_a_month_in_utf_8_is_read() -> None:
    header = ASC_HEADER.replace("Sep 30", "Mär 5")
    _, report = read_all(AscReader(), (header + "1.0 1  123  Rx d 1 01\n").encode())
    assert report.start_local == datetime(2017, 3, 5, 15, 6, 13, 191_000)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Sam Sep 30 15:06:13.191 2017", (2017, 9, 30, 15, 6, 13, 191_000)),
        ("Sat Sep 30 10:06:13.191 PM 2017", (2017, 9, 30, 22, 6, 13, 191_000)),
        ("Sat Sep 30 12:06:13.191 am 2017", (2017, 9, 30, 0, 6, 13, 191_000)),
        ("Mon Jul 26 04:40:55.12 2021", (2021, 7, 26, 4, 40, 55, 12_000)),  # as python-can writes
        ("Di Mrz 3 08:00:00 2020", (2020, 3, 3, 8, 0, 0, 0)),
        ("Mi Dez 31 23:59:59.999 2025", (2025, 12, 31, 23, 59, 59, 999_000)),
        ("Mär 3 08:00:00 2020", (2020, 3, 3, 8, 0, 0, 0)),
        ("mar. févr. 4 09:10:11 2020", (2020, 2, 4, 9, 10, 11, 0)),
        ("lun. août 4 09:10:11 2025", (2025, 8, 4, 9, 10, 11, 0)),
        ("mar juin 4 09:10:11 2024", (2024, 6, 4, 9, 10, 11, 0)),
        ("30.09.2017 15:06:13", (2017, 9, 30, 15, 6, 13, 0)),
        ("2017-09-30 15:06:13.5", (2017, 9, 30, 15, 6, 13, 500_000)),
        ("9/30/2017 3:06:13 pm", (2017, 9, 30, 15, 6, 13, 0)),
        ("30/9/2017 15:06", (2017, 9, 30, 15, 6, 0, 0)),
    ],
)
def test_dates_of_many_tongues(text: str, expected: tuple[int, ...]) -> None:
    assert read_date(text) == datetime(*expected)  # type: ignore[arg-type]  # seven numbers at most


@pytest.mark.parametrize(
    "text",
    [
        "",
        "3/4/2017 15:06:13",
        "Sat Foo 30 15:06:13 2017",
        "Feb 30 15:06:13 2017",
        "2017",
        "25:00:00",
    ],
)
def test_an_unclear_date_is_no_date(text: str) -> None:
    """In 3/4/2017 day and month cannot be told apart."""
    assert read_date(text) is None


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(written=st.lists(frames(start_ns=0, latest_s=2000), min_size=1, max_size=10))
def test_what_python_can_writes_is_read_back(tmp_path: Path, written: list[Sample]) -> None:
    """It counts times from the first frame and channels from 0, the file from 1."""
    written.sort()
    path = tmp_path / "ride.asc"
    with can.ASCWriter(path) as log:
        for one in written:
            log.on_message_received(message(one))
    read, report = read_all(AscReader(), path)
    zero_ns = written[0].time_ns
    assert [one._replace(time_ns=0) for one in read] == [
        one._replace(time_ns=0, bus=str(int(one.bus.removeprefix("can")) + 1)) for one in written
    ]
    for ours, theirs in zip(read, written, strict=True):
        assert abs(ours.time_ns - (theirs.time_ns - zero_ns)) <= 1000  # it rounds floats
    assert not report.problems


@settings(max_examples=60)
@given(
    lines=st.lists(
        st.one_of(
            frames(buses=("1", "2"), start_ns=0, latest_s=5000),
            st.text(st.characters(max_codepoint=255, exclude_characters="\n\r\0"), max_size=40),
        ),
        max_size=30,
    )
)
def test_the_fast_way_agrees_with_the_plain_one(lines: list[Sample | str]) -> None:
    texts = [one if isinstance(one, str) else asc_line(one) for one in lines]
    together, _ = read_all(AscReader(), "\n".join([*texts, ""]).encode("latin-1"))
    alone: list[Sample] = []
    for text in texts:
        one, _ = read_all(AscReader(), f"{text}\n".encode("latin-1"))
        alone += one
    assert together == alone


def test_the_format_libraries_own_logs_are_read(shared_data: Path) -> None:
    """Frames of python-can's test files, as python-can reads them; error frames in detail."""
    for name in ("logfile.asc", "logfile_errorframes.asc", "test_CanMessage.asc"):
        path = shared_data / "containers" / name
        read, report = read_all(AscReader(), path)
        theirs = list(can.ASCReader(str(path)))
        assert len(read) == len(theirs)
        for ours, other in zip(read, theirs, strict=True):
            assert ours.has(ERROR) == other.is_error_frame
            assert ours.time_ns == pytest.approx(other.timestamp * 1e9, abs=1000)
            if not other.is_error_frame:
                assert (ours.can_id, ours.data) == (other.arbitration_id, bytes(other.data))
        assert not report.problems


def test_it_is_a_reader() -> None:
    assert isinstance(AscReader(), LogReader)
    assert AscReader().matches(ASC_HEADER.encode())
    assert AscReader().matches(b"   1.500000 1  123             Rx   d 2 01 02\n" * 3)
    assert not AscReader().matches(b"(1436509052.249713) vcan0 044#2A366C2BBA\n" * 3)
    assert not AscReader().matches(b"")
