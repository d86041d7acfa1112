"""Terminal listings of candump, in each of its views."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canassist.frames.base import LogReader, ReadRequest
from canassist.frames.formats.candump.console import ConsoleReader
from canassist.model import FrameFlag, IdSet
from tests.frames.frame_samples import Sample, frames, read_all

NS = 1_000_000_000
START_NS = 1_700_000_000 * NS


def _body(one: Sample, *, extra: bool = False, ascii_view: bool = False) -> str:
    """Write what follows the time stamp, as `sprint_long_canframe` of can-utils lays it out."""
    text = f"  {one.bus:>5}"
    if extra:
        brs = "B" if one.has(FrameFlag.BIT_RATE_SWITCH) else "-"
        esi = "E" if one.has(FrameFlag.ERROR_STATE) else "-"
        text += f"  {'TX' if one.has(FrameFlag.SENT) else 'RX'} {brs} {esi}"
    if one.has(FrameFlag.ERROR):
        text += f"  {one.can_id | 0x20000000:08X}  "
    elif one.has(FrameFlag.EXTENDED):
        text += f"  {one.can_id:08X}  "
    else:
        text += f"  {one.can_id:03X}  "
    text += f"[{one.length:02d}] " if one.has(FrameFlag.FD) else f" [{one.length}] "
    if one.has(FrameFlag.REMOTE):
        return text + " remote request"
    text += "".join(f" {byte:02X}" for byte in one.data)
    if one.has(FrameFlag.ERROR):
        text += " " * (3 * (8 - one.length) + 3) + "ERRORFRAME"
    elif ascii_view and one.length <= 8:
        shown = "".join(chr(byte) if 0x1F < byte < 0x7F else "." for byte in one.data)
        text += " " * (3 * (8 - one.length) + 3) + f"'{shown}'"
    return text


def _absolute(one: Sample, _: int) -> str:
    return f" ({one.time_ns // NS:010d}.{one.time_ns % NS // 1000:06d}) "


def _date(one: Sample, _: int) -> str:
    moment = datetime.fromtimestamp(one.time_ns // NS, tz=UTC)
    return f" ({moment:%Y-%m-%d %H:%M:%S}.{one.time_ns % NS // 1000:06d}) "


def _since(one: Sample, before_ns: int) -> str:
    gap = one.time_ns - before_ns
    return f" ({gap // NS:03d}.{gap % NS // 1000:06d}) "


def console_line(one: Sample) -> str:
    """Write a line with an absolute stamp and all that the listing can tell."""
    return _absolute(one, 0) + _body(one, extra=True)


def _drawn() -> st.SearchStrategy[list[Sample]]:
    return st.lists(frames(latest_s=500), min_size=1, max_size=15)


@given(written=_drawn(), ascii_view=st.booleans(), date=st.booleans())
def test_absolute_stamps_come_back(written: list[Sample], ascii_view: bool, date: bool) -> None:
    stamp = _date if date else _absolute
    text = "".join(
        stamp(one, 0) + _body(one, extra=True, ascii_view=ascii_view) + "\n" for one in written
    )
    assert ConsoleReader().matches(text.encode()[:4096])
    read, report = read_all(ConsoleReader(), text.encode())
    assert read == written
    assert not report.problems
    assert report.epoch == ("file" if date else "utc")
    assert (report.start_local == datetime(1970, 1, 1)) == date


def _sorted_by_uneven_steps() -> list[Sample]:
    chance = random.Random(3)  # noqa: S311 - not a secret
    steps = [chance.randrange(1, 40_000) * 1000 for _ in range(200)]
    times = [START_NS + sum(steps[:n]) for n in range(200)]
    return [Sample(time, "can0", n, 0, 1, bytes([n])) for n, time in enumerate(times)]


def test_differences_are_added_up() -> None:
    written = _sorted_by_uneven_steps()
    before = [written[0].time_ns] + [one.time_ns for one in written]
    text = "".join(
        _since(one, then) + _body(one) + "\n" for one, then in zip(written, before, strict=False)
    )
    read, report = read_all(ConsoleReader(), text.encode())
    assert [one.time_ns for one in read] == [one.time_ns - START_NS for one in written]
    assert report.epoch == "file"
    assert not report.problems


def test_differences_are_added_up_over_frames_that_nobody_wants() -> None:
    written = _sorted_by_uneven_steps()
    before = [written[0].time_ns] + [one.time_ns for one in written]
    text = "".join(
        _since(one, then) + _body(one) + "\n" for one, then in zip(written, before, strict=False)
    )
    request = ReadRequest(wanted=IdSet([150]), headers=False)
    (one,), _ = read_all(ConsoleReader(), text.encode(), request)
    assert one.time_ns == written[150].time_ns - START_NS


def test_equal_differences_are_not_taken_for_a_standing_clock() -> None:
    body = _body(Sample(0, "can0", 1, 0, 0, b""))
    text = f" (000.000000) {body}\n" + f" (000.010000) {body}\n" * 5
    read, _ = read_all(ConsoleReader(), text.encode())
    assert [one.time_ns for one in read] == [n * 10_000_000 for n in range(6)]


def test_times_since_the_start_stay_as_they_are() -> None:
    written = _sorted_by_uneven_steps()
    text = "".join(_since(one, written[0].time_ns) + _body(one) + "\n" for one in written)
    read, _ = read_all(ConsoleReader(), text.encode())
    assert [one.time_ns for one in read] == [one.time_ns - START_NS for one in written]


def test_a_listing_without_stamps_keeps_the_order_and_says_what_it_cannot_tell() -> None:
    written = _sorted_by_uneven_steps()
    text = "".join(_body(one) + "\n" for one in written)
    assert ConsoleReader().matches(text.encode()[:4096])
    read, report = read_all(ConsoleReader(), text.encode())
    assert [one._replace(time_ns=0) for one in read] == [one._replace(time_ns=0) for one in written]
    assert all(after.time_ns > one.time_ns for one, after in pairwise(read))
    assert "no time stamps" in report.problems[0].what


def test_error_frames_keep_class_and_detail() -> None:
    """20000004 with 30 in byte 1: controller error passive (linux/can/error.h)."""
    detail = bytes([0, 0x30, 0, 0, 0, 0, 96, 128])
    error = Sample(START_NS, "can0", 0x004, FrameFlag.ERROR, 8, detail)
    text = _absolute(error, 0) + _body(error) + "\n\tcontroller-problem{rx-error-passive}\n"
    (one,), report = read_all(ConsoleReader(), text.encode())
    assert one == error
    assert not report.problems


def test_the_other_views_of_the_data_are_read() -> None:
    lines = (
        " (0000000001.000000)  can0  123   [3]  00010001 00100010 00110011\n"
        " (0000000002.000000)  can0  123   [3]  33`22`11\n"
        " (0000000003.000000)  \x1b[1m\x1b[34mcan0\x1b[0m  123   [3]  11 22 33\n"
        " (0000000004.000000)  can0  123   {F}  11 22 33 44 55 66 77 88\n"
    )
    read, report = read_all(ConsoleReader(), lines.encode())
    assert [one.data[:3] for one in read] == [b"\x11\x22\x33"] * 4
    assert [one.length for one in read] == [3, 3, 3, 8]
    assert not report.problems


def test_what_the_recorder_dropped_is_its_own_loss() -> None:
    text = (
        " (0000000001.000000)  can0  123   [0] \n"
        "DROPCOUNT: dropped 7 CAN frames on 'can0' socket (total drops 7)\n"
        " (0000000003.000000)  can0  123   [0] \n"
    )
    read, report = read_all(ConsoleReader(), text.encode())
    assert len(read) == 2
    assert report.recorder_losses_ns == [NS]
    assert "dropped 7" in report.problems[0].what


def test_prompts_and_torn_lines_are_named() -> None:
    good = " (0000000001.000000)  can0  123   [2]  11 22\n"
    text = (
        "$ candump -ta can0\n"
        + good
        + " (0000000002.000000)  can0  123   [2]  11\n"
        + " (0000000003.000000)  can0  923   [2]  11 22\n"
        + "  can0  123   [2]  11 22\n"
        + good
    )
    read, report = read_all(ConsoleReader(), text.encode())
    assert len(read) == 2
    assert report.skipped == 4
    assert [problem.where for problem in report.problems] == ["line 1", "lines 3 to 5"]


def test_more_bus_names_than_a_recorder_has_are_damage() -> None:
    lines = [f" (1700000000.{row:06d})  b{row}  123   [1]  11\n" for row in range(300)]
    read, report = read_all(ConsoleReader(), "".join(lines).encode())
    assert len(read) == 255
    assert report.skipped == 45
    assert report.problems[0].where == "lines 256 to 300"


def test_fifty_cuts_lose_only_the_frame_that_they_cut() -> None:
    written = [Sample(START_NS + n * NS, "can0", n, 0, 8, bytes([n] * 8)) for n in range(40)]
    whole = "".join(_absolute(one, 0) + _body(one) + "\n" for one in written).encode()
    chance = random.Random(5)  # noqa: S311 - not a secret
    for _ in range(50):
        cut = chance.randrange(1, len(whole))
        complete = whole[:cut].count(b"\n")
        read, _ = read_all(ConsoleReader(), whole[:cut])
        assert read[:complete] == written[:complete]
        assert len(read) <= complete + 1


def test_only_wanted_frames_carry_their_payload() -> None:
    written = [Sample(START_NS + n * NS, "can0", n % 3, 0, 1, bytes([n])) for n in range(30)]
    text = "".join(_absolute(one, 0) + _body(one) + "\n" for one in written).encode()
    read, _ = read_all(ConsoleReader(), text, ReadRequest(wanted=IdSet([1])))
    assert [one.data for one in read] == [one.data * (one.can_id == 1) for one in written]
    read, _ = read_all(ConsoleReader(), text, ReadRequest(wanted=IdSet([1]), headers=False))
    assert read == [one for one in written if one.can_id == 1]


def test_it_is_a_reader() -> None:
    assert isinstance(ConsoleReader(), LogReader)


@pytest.mark.parametrize(
    "head",
    [
        b"",
        b"(1.0) can0 123#11\n",
        b"   0.015991 1  123             Rx   d 4 DE AD BE EF\n",
        b"     1)         0.1  Rx         04B0  8  4D 00 80 00 50 00 00 FA \n",
        b"time,id,data\n1,2,3\n",
        b"\0" * 99,
    ],
)
def test_other_files_are_not_taken_for_listings(head: bytes) -> None:
    assert not ConsoleReader().matches(head)


_BITS = st.sampled_from(
    [b"[", b"]", b"(", b")", b"`", b"\x1b[0m", b"\n", b"\0", b"remote request", b"[64]", b"TX B E"]
)


@pytest.mark.slow
@settings(max_examples=3000, deadline=None)
@given(
    data=st.data(), written=_drawn(), form=st.integers(0, 3), noise=st.lists(st.binary() | _BITS)
)
def test_nothing_makes_it_fail(
    data: st.DataObject, written: list[Sample], form: int, noise: list[bytes]
) -> None:
    stamp = (_absolute, _date, _since, lambda _, __: "")[form]
    lines = (stamp(one, START_NS) + _body(one, ascii_view=True) + "\n" for one in written)
    text = bytearray("".join(lines).encode())
    for piece in noise:
        at = data.draw(st.integers(0, len(text)))
        text[at : at + data.draw(st.integers(0, 8))] = piece
    ConsoleReader().matches(bytes(text[:4096]))
    read_all(ConsoleReader(), bytes(text))
