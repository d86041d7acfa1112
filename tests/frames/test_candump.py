"""Compact candump lines, by the grammar in can-utils' ``lib.h`` and ``linux/can.h``.

Where python-can 4.6 reads a line otherwise, the test says so: it knows error frames only of
the bus-error class, and refuses points between bytes and raw length codes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canassist.frames.base import LogReader, ReadRequest
from canassist.frames.formats.candump.candump import CandumpReader
from canassist.model import FrameFlag, IdSet
from tests.frames.frame_samples import Sample, frames, message, read_all
from tests.frames.text_writers import candump_line

if TYPE_CHECKING:
    from pathlib import Path

T0 = 1_436_509_052_249_713_000
EXTENDED, ERROR, REMOTE = FrameFlag.EXTENDED, FrameFlag.ERROR, FrameFlag.REMOTE
FD, SWITCH, STATE = FrameFlag.FD, FrameFlag.BIT_RATE_SWITCH, FrameFlag.ERROR_STATE


def _read(*bodies: str) -> list[Sample]:
    """Read lines, each with an ordinary one before and behind it."""
    text = "".join(f"(1436509052.249713) vcan0 {body}\n" for body in bodies)
    read, report = read_all(CandumpReader(), text.encode())
    assert not report.problems, report.problems
    return read


def _sample(can_id: int, flags: int, data: bytes, length: int | None = None) -> Sample:
    return Sample(T0, "vcan0", can_id, flags, len(data) if length is None else length, data)


@pytest.mark.parametrize(
    ("body", "can_id", "flags", "data", "length"),
    [
        ("044#2A366C2BBA", 0x44, 0, "2A366C2BBA", 5),
        ("123#", 0x123, 0, "", 0),
        ("00000123#01", 0x123, EXTENDED, "01", 1),  # eight digits: 29 bits, however small
        ("12345678#deadbeef", 0x12345678, EXTENDED, "DEADBEEF", 4),
        ("123#11.22.33", 0x123, 0, "112233", 3),  # refused by python-can
        ("123#1122334455667788_E", 0x123, 0, "1122334455667788", 8),  # refused by python-can
        ("123#R", 0x123, REMOTE, "", 0),
        ("123#r5", 0x123, REMOTE, "", 5),
        ("123#R8_9", 0x123, REMOTE, "", 8),
        ("123##3", 0x123, FD | SWITCH | STATE, "", 0),
        ("123##5112233", 0x123, FD | SWITCH, "112233", 3),  # 4 is the FD mark itself
        ("12345678##2" + "5A" * 64, 0x12345678, FD | EXTENDED | STATE, "5A" * 64, 64),
        ("123##C11", 0x123, FD, "11", 1),  # refused by python-can
        ("123#11 T", 0x123, FrameFlag.SENT, "11", 1),
        ("123#11 R", 0x123, 0, "11", 1),
        # python-can: no error frame but a 29-bit data frame with identifier 4
        ("20000004#0008000000000000", 0x4, ERROR, "0008000000000000", 8),
        ("20000040#0000000000000000", 0x40, ERROR, "0000000000000000", 8),  # bus off
        # python-can: identifier and detail lost
        ("2000008C#0008040000000000", 0x8C, ERROR, "0008040000000000", 8),
    ],
)
def test_every_shape_of_the_grammar(
    body: str, can_id: int, flags: int, data: str, length: int
) -> None:
    frame = _sample(can_id, int(flags), bytes.fromhex(data), length)
    plain = _sample(0x7FF, 0, b"\x01\x02")
    assert _read("7FF#0102", body, "7FF#0102") == [plain, frame, plain]


@pytest.mark.parametrize(
    "body",
    [
        "123#112",  # half a byte; python-can reads data 11 02 with length 1
        "800#00",  # three digits hold 11 bits; python-can reads identifier 0x800
        "123#112233445566778899",  # nine bytes
        "123##",
        "123##1" + "00" * 65,
        "1234#00",
        "12345#00",
        "123 00",
        "40000123#00",  # flags of the interface, never in a log
        "12G#00",
        "123#0G",
        "123#R#",
        "20000004##100",  # an error frame is no FD frame
        "",
    ],
)
def test_a_line_that_is_no_frame_is_counted_with_its_place(body: str) -> None:
    text = f"(1.000000) can0 001#AA\n(2.000000) can0 {body}\n(3.000000) can0 002#BB\n"
    read, report = read_all(CandumpReader(), text.encode())
    assert [one.can_id for one in read] == [1, 2]
    assert [problem.where for problem in report.problems] == ["line 2"]
    assert report.skipped == 1


@pytest.mark.parametrize(
    ("stamp", "time_ns"),
    [
        ("(0.000000)", 0),
        ("(9.999999)", 9_999_999_000),
        ("(1436509052.249713)", T0),
        ("(1436509052.249713999)", T0 + 999),
        ("(46408.5)", 46_408_500_000_000),
        ("(8999999999.999999)", 8_999_999_999_999_999_000),
    ],
)
def test_times_are_exact_to_the_nanosecond(stamp: str, time_ns: int) -> None:
    lines = f"{stamp} can0 123#00\n" * 3
    read, _ = read_all(CandumpReader(), lines.encode())
    assert [one.time_ns for one in read] == [time_ns] * 3


def test_a_time_beyond_all_bounds_is_no_time() -> None:
    text = "(9999999999.000000) can0 123#00\n(1.000000) can0 124#00\n"
    read, report = read_all(CandumpReader(), text.encode())
    assert [one.can_id for one in read] == [0x124]
    assert report.skipped == 1


def test_times_grow_longer_on_the_way() -> None:
    """A log whose times count from zero has one digit more at 10, 100 and 1000 seconds."""
    lines = [
        f"({tenth // 10}.{tenth % 10}00000) can0 123#{tenth % 256:02X}" for tenth in range(20_000)
    ]
    read, report = read_all(CandumpReader(), "\n".join(lines).encode() + b"\n")
    assert [one.time_ns for one in read] == [tenth * 100_000_000 for tenth in range(20_000)]
    assert not report.problems


@pytest.mark.parametrize(("second", "epoch"), [(1_700_000_000, "utc"), (46_408, "file")])
def test_small_times_count_from_the_recorders_start(second: int, epoch: str) -> None:
    _, report = read_all(CandumpReader(), f"({second}.000000) can0 1F0#00\n".encode())
    assert report.epoch == epoch


@pytest.mark.parametrize("end", ["\r\n", "\r", "\n\n", "\r\n\n\r"])
def test_every_kind_of_line_end(end: str) -> None:
    lines = [f"({number}.000000) can0 123#{number:02X}" for number in range(50)]
    read, report = read_all(CandumpReader(), end.join([*lines, ""]).encode())
    assert [one.data[0] for one in read] == list(range(50))
    assert not report.problems


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-8-sig"])
def test_two_byte_texts_and_marks(encoding: str) -> None:
    text = "".join(f"({number}.000000) can0 123#{number:02X}\n" for number in range(50))
    data = text.encode(encoding)
    assert CandumpReader().matches(data)
    read, report = read_all(CandumpReader(), data)
    assert [one.data[0] for one in read] == list(range(50))
    assert not report.problems


def test_a_line_that_swallowed_its_line_end_gives_its_second_frame() -> None:
    text = "(1.000000) can0 123#11(2.000000) can0 456#22\n(3.000000) can0 123#33\n"
    read, report = read_all(CandumpReader(), text.encode())
    assert [(one.can_id, one.data.hex()) for one in read] == [(0x456, "22"), (0x123, "33")]
    assert [problem.where for problem in report.problems] == ["line 1"]


def test_a_file_of_one_line_without_an_end_is_a_frame() -> None:
    read, report = read_all(CandumpReader(), b"(1.000000) can0 123#11223344")
    assert [one.data.hex() for one in read] == ["11223344"]
    assert "may be cut" in report.problems[0].what


def test_a_last_line_cut_in_its_data_is_told_by_its_usual_length() -> None:
    text = b"(1.000000) can0 123#1122\n(2.000000) can0 123#3344\n(3.000000) can0 123#55"
    read, report = read_all(CandumpReader(), text)
    assert [one.data.hex() for one in read] == ["1122", "3344"]
    assert [problem.where for problem in report.problems] == ["line 3"]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_a_cut_last_line_is_known_in_every_encoding(encoding: str) -> None:
    lines = [f"(1700000000.{row:06d}) can0 123#1122334455667788" for row in range(9)]
    whole = "\n".join([*lines, "(1700000001.000000) can0 123#1122"])
    read, report = read_all(CandumpReader(), whole.encode(encoding))
    assert len(read) == 9
    assert report.problems[0].where == "line 10"


def test_no_frame_is_lost_where_another_bus_s_name_is_five_letters_longer() -> None:
    """There the last digits of a 29-bit identifier stand where the other has 11-bit ones."""
    lines = []
    for row in range(50):
        lines += [
            f"(1700000000.{row:06d}) can0_body 123#{row:02X}",
            f"(1700000000.{row:06d}) can0 18FEF678#{row:02X}",
        ]
    request = ReadRequest(wanted=IdSet([0x18FE_F678 | 0x8000_0000]), headers=False)
    read, _ = read_all(CandumpReader(), "\n".join([*lines, ""]).encode(), request)
    assert [one.data[0] for one in read] == list(range(50))


def test_buses_are_named_in_order_of_appearance() -> None:
    lines = [f"({n}.000000) {('vcan0', 'can1', 'slcan12')[n % 3]} 123#00" for n in range(9)]
    read, report = read_all(CandumpReader(), "\n".join([*lines, ""]).encode())
    assert report.buses == ["vcan0", "can1", "slcan12"]
    assert [one.bus for one in read] == ["vcan0", "can1", "slcan12"] * 3


def test_names_of_garbage_do_not_pile_up() -> None:
    lines = [f"({n}.000000) x{n} 123#00" for n in range(3000)]
    read, report = read_all(CandumpReader(), "\n".join([*lines, ""]).encode())
    assert len(read) == 3000
    assert len(report.buses) == report.MAX_BUSES


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(written=st.lists(frames(), min_size=1, max_size=10))
def test_what_python_can_writes_is_read_back(tmp_path: Path, written: list[Sample]) -> None:
    """Its writer drops the length that a remote frame asks for."""
    path = tmp_path / "ride.log"
    with can.CanutilsLogWriter(path) as log:
        for one in sorted(written):
            log.on_message_received(message(one))
    read, report = read_all(CandumpReader(), path)
    assert read == [one._replace(length=0) if one.has(REMOTE) else one for one in sorted(written)]
    assert not report.problems


@settings(max_examples=60)
@given(lines=st.lists(st.one_of(frames(), st.text(max_size=40)), max_size=30))
def test_the_fast_way_agrees_with_the_plain_one(lines: list[Sample | str]) -> None:
    """Between strange lines; each line alone goes the way of single lines."""
    texts = [one if isinstance(one, str) else candump_line(one) for one in lines]
    texts = [text.replace("\n", "").replace("\r", "").replace("\0", "") for text in texts]
    together, _ = read_all(CandumpReader(), "\n".join([*texts, ""]).encode("latin-1", "replace"))
    alone: list[Sample] = []
    for text in texts:
        one, _ = read_all(CandumpReader(), f"{text}\n".encode("latin-1", "replace"))
        alone += one
    assert together == alone


def test_error_frames_are_wanted_by_name() -> None:
    text = b"(1.000000) can0 20000004#0008000000000000\n(2.000000) can0 123#AA\n"
    request = ReadRequest(wanted=IdSet([0x123]))
    assert [one.data.hex() for one in read_all(CandumpReader(), text, request)[0]] == ["", "aa"]
    request = ReadRequest(wanted=IdSet(error_frames=True), headers=False)
    read, _ = read_all(CandumpReader(), text, request)
    assert [(one.can_id, one.data.hex()) for one in read] == [(4, "0008000000000000")]


def test_it_is_a_reader() -> None:
    assert isinstance(CandumpReader(), LogReader)
    assert CandumpReader().matches(b"(1436509052.249713) vcan0 044#2A366C2BBA\n" * 3)
    assert not CandumpReader().matches(b"can0  123   [2]  11 22\n" * 3)
    assert not CandumpReader().matches(b"")
