"""CSV logs: python-can's, and tables of every spelling."""

from __future__ import annotations

import base64
import contextlib
import random
from typing import TYPE_CHECKING

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canassist.errors import InputError
from canassist.frames.base import LogReader, ReadRequest
from canassist.frames.formats.csv.delimited import DelimitedReader
from canassist.model import FrameFlag, IdSet
from tests.frames.frame_samples import Sample, frames, message, read_all

if TYPE_CHECKING:
    from pathlib import Path

HEADER = "timestamp,arbitration_id,extended,remote,error,dlc,data\n"
MS_NS = 1_000_000
START_NS = 1_700_000_000_000_000_000


def base64_line(one: Sample) -> str:
    """Write a line as python-can's documentation lays it out, with an exact time."""
    seconds, rest = divmod(one.time_ns, 1_000_000_000)
    return (
        f"{seconds}.{rest:09d}".rstrip("0")
        + f",{one.can_id:#x},{one.has(FrameFlag.EXTENDED):d},{one.has(FrameFlag.REMOTE):d}"
        f",{one.has(FrameFlag.ERROR):d},{one.length},{base64.b64encode(one.data).decode()}\n"
    )


def as_csv_knows_it(one: Sample) -> Sample:
    """Leave out what the format cannot hold."""
    flags = one.flags & (FrameFlag.EXTENDED | FrameFlag.REMOTE)
    return one._replace(bus="CAN", flags=flags | (FrameFlag.FD if one.length > 8 else 0))


@given(st.lists(frames(time_step_ns=1), min_size=1))
def test_base64_frames_come_back_to_the_nanosecond(written: list[Sample]) -> None:
    text = HEADER + "".join(map(base64_line, written))
    read, report = read_all(DelimitedReader(), text.encode())
    assert read == list(map(as_csv_knows_it, written))
    assert not report.problems
    assert report.epoch == "utc"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(written=st.lists(frames(), min_size=1))
def test_what_python_can_writes_is_read_back(tmp_path: Path, written: list[Sample]) -> None:
    path = tmp_path / "ride.csv"
    with can.CSVWriter(path) as writer:
        for one in written:
            writer.on_message_received(message(one))
    read, report = read_all(DelimitedReader(), path)
    assert not report.problems
    expected = list(map(as_csv_knows_it, written))
    # python-can keeps a time in a 64-bit float: 0.24 us at this date
    assert [round(one.time_ns, -3) for one in read] == [one.time_ns for one in expected]
    assert [one._replace(time_ns=0) for one in read] == [
        one._replace(time_ns=0) for one in expected
    ]


def test_an_error_frame_keeps_its_class_and_detail() -> None:
    detail = bytes([0, 0x30, 0, 0, 0, 0, 96, 128])
    line = f"1700000000.5,0x4,0,0,1,8,{base64.b64encode(detail).decode()}\n"
    (one,), _ = read_all(DelimitedReader(), (HEADER + line).encode())
    assert (one.can_id, one.flags, one.data) == (0x004, FrameFlag.ERROR, detail)


@pytest.mark.parametrize(
    ("text", "time_ns"),
    [
        ("1700000000.123456", START_NS + 123_456_000),
        ("1700000000", START_NS),
        ("1.5e-05", 15_000),
        ("0.0", 0),
        ("12.3456789012345", 12_345_678_901),
        ("-0.25", -250_000_000),
        ("1699999999.9999999", START_NS - 100),
    ],
)
def test_every_spelling_of_a_time_is_exact(text: str, time_ns: int) -> None:
    (one,), _ = read_all(DelimitedReader(), f"{HEADER}{text},0x1,0,0,0,1,AA==\n".encode())
    assert one.time_ns == time_ns


def test_times_before_2000_count_from_the_recorders_start() -> None:
    _, report = read_all(DelimitedReader(), f"{HEADER}12.5,0x1,0,0,0,1,AA==\n".encode())
    assert report.epoch == "file"
    assert report.start_utc is None


def test_a_base64_log_without_its_header_is_recognised() -> None:
    line = base64_line(Sample(START_NS, "CAN", 0x123, 0, 2, b"\x01\x02"))
    assert DelimitedReader().matches(line.encode())
    read, _ = read_all(DelimitedReader(), line.encode())
    assert len(read) == 1


@pytest.mark.parametrize(
    "line",
    [
        "1.0,0x1,0,0,0,8,AAAA",  # three bytes, not eight
        "1.0,0x1,0,0,0,9,AAAAAAAAAAAA",  # no such length
        "1.0,0x800,0,0,0,0,",  # above 11 bits
        "1.0,0x20000000,1,0,0,0,",  # above 29 bits
        "1.0,0x1,0,0,0,1,A*==",
        "1.0,0x1,0,2,0,1,AA==",
        "nan,0x1,0,0,0,1,AA==",
        "1.0,1,0,0,0,1,AA==",
        "9999999999999999999,0x1,0,0,0,1,AA==",
        "1.0,0x1,0,0,0,1",
    ],
)
def test_a_damaged_base64_line_is_skipped_and_named(line: str) -> None:
    good = "1.0,0x1,0,0,0,1,AA==\n"
    read, report = read_all(DelimitedReader(), f"{HEADER}{good}{line}\n{good}".encode())
    assert len(read) == 2
    assert report.skipped == 1
    assert report.problems[0].where == "line 3"


def test_only_wanted_frames_carry_their_payload() -> None:
    written = [Sample(START_NS + n, "CAN", n % 3, 0, 1, bytes([n])) for n in range(30)]
    text = (HEADER + "".join(map(base64_line, written))).encode()
    read, _ = read_all(DelimitedReader(), text, ReadRequest(wanted=IdSet([1])))
    assert [one.data for one in read] == [one.data * (one.can_id == 1) for one in written]
    read, _ = read_all(DelimitedReader(), text, ReadRequest(wanted=IdSet([1]), headers=False))
    assert read == [one for one in written if one.can_id == 1]


def test_fifty_cuts_lose_only_the_frame_that_they_cut() -> None:
    written = [Sample(START_NS + n * MS_NS, "CAN", n, 0, 8, bytes([n] * 8)) for n in range(40)]
    whole = (HEADER + "".join(map(base64_line, written))).encode()
    chance = random.Random(5)  # noqa: S311 - not a secret
    for _ in range(50):
        cut = chance.randrange(len(HEADER), len(whole))
        complete = whole[:cut].count(b"\n") - 1
        read, _ = read_all(DelimitedReader(), whole[:cut])
        assert read[:complete] == written[:complete]
        assert len(read) <= complete + 1


# Plain tables


@pytest.mark.parametrize(
    ("header", "line", "ending", "taken"),
    [
        ("time_s,id,data", "1.0,0x10,11 22 33 44 55 66 77 88", "", True),
        ("time_s,id,data", "1.0,0x10,11 22 33 44", " 44", False),  # how many, nothing says
        ("time_s,id,dlc,data", "1.0,0x10,3,11 22 33", "", True),
        ("time_s,id,dlc,data", "1.0,0x10,3,11 22 33", "3", False),
        ("time_s,id,data,dir", "1.0,0x10,11 22 33,Rx", "x", True),
        ("time_s,id,dlc,D0,D1", "1.0,0x10,2,11,22", "", True),
        ("time_s,id,dlc,D0,D1", "1.0,0x10,2,11,22", "2", False),
        ("time_s,id,dlc,D0,D1", "1.0,0x10,1,11,", "", True),
        ("time_s,id [dec],dlc,D0,D1", "1.0,10,2,111,255", "5", False),
    ],
)
def test_a_last_line_without_its_end_is_taken_only_if_it_must_be_whole(
    header: str, line: str, ending: str, taken: bool
) -> None:
    text = f"{header}\n{line}\n{line.removesuffix(ending)}"
    read, report = read_all(DelimitedReader(), text.encode())
    assert len(read) == 1 + taken
    assert [problem.where for problem in report.problems if "line" in problem.where] == (
        [] if taken else ["line 3"]
    )


def _hex(data: bytes, gap: str = " ", lead: str = "") -> str:
    return gap.join(f"{lead}{byte:02X}" for byte in data)


@given(
    written=st.lists(
        frames(start_ns=0, remote=False, fd=False, latest_s=600), min_size=1, max_size=20
    ),
    separator=st.sampled_from([",", ";", "\t", "|"]),
    gap=st.sampled_from(["", " ", "-"]),
    lead=st.sampled_from(["", "0x"]),
    unit=st.sampled_from([("time_s", 1_000_000), ("Time (ms)", 1000), ("timestamp [us]", 1)]),
    quotes=st.booleans(),
)
def test_tables_of_many_spellings_are_read(  # noqa: PLR0917 - each is drawn
    written: list[Sample],
    separator: str,
    gap: str,
    lead: str,
    unit: tuple[str, int],
    quotes: bool,
) -> None:
    name, per_unit = unit
    rows = [[name, "CAN ID (hex)", "Ext", "Dir", "Channel", "DLC", "Data [hex]"]]
    for one in written:
        whole, part = divmod(one.time_ns // 1000, per_unit)
        digits = len(str(per_unit)) - 1
        time = f"{whole}.{part:0{digits}d}" if digits else str(whole)
        way = "Tx" if one.has(FrameFlag.SENT) else "Rx"
        extended = "true" if one.has(FrameFlag.EXTENDED) else "false"
        data = _hex(one.data, gap, lead)
        rows.append([time, f"{one.can_id:X}", extended, way, one.bus, str(one.length), data])
    mark = '"' if quotes else ""
    text = "".join(separator.join(mark + cell + mark for cell in row) + "\n" for row in rows)
    assert DelimitedReader().matches(text.encode()[:4096])
    read, report = read_all(DelimitedReader(), text.encode())
    assert not report.problems
    assert read == written


@given(
    written=st.lists(
        frames(start_ns=0, remote=False, fd=False, latest_s=600, direction=False), min_size=1
    ),
    first=st.sampled_from([0, 1]),
    short=st.booleans(),
)
def test_one_column_a_byte_is_read(
    written: list[Sample],
    first: int,
    short: bool,
) -> None:
    names = ",".join(f"D{n}" for n in range(first, first + 8))
    lines = [f"Time_us,ID,Extended,Bus,LEN,{names}"]
    for one in written:
        cells = [f"{byte:02X}" for byte in one.data] + ([] if short else [""] * (8 - one.length))
        extended = "true" if one.has(FrameFlag.EXTENDED) else "false"
        head = [str(one.time_ns // 1000), f"{one.can_id:08X}", extended, one.bus, str(one.length)]
        lines.append(",".join(head + cells))
    read, report = read_all(DelimitedReader(), "\n".join(lines).encode())
    assert not report.problems
    assert read == written


def test_a_loggers_table_with_two_buses_is_read_whole(shared_data: Path) -> None:
    """Seventeen thousand lines; times are microseconds though the header does not say so."""
    path = shared_data / "odd_real" / "two_bus_out_of_order.csv"
    lines = path.read_text().splitlines()[1:]
    read, report = read_all(DelimitedReader(), path)
    assert len(read) == len(lines) == 17129
    assert report.buses == ["0", "1"]
    assert [problem.what for problem in report.problems] == [
        "the header gives no unit of time; the times fit us only"
    ]
    for one, line in zip(read, lines, strict=True):
        time_us, can_id, extended, bus, length, *data = line.split(",")
        assert one.time_ns == int(time_us) * 1000
        assert one.can_id == int(can_id, 16)
        assert one.has(FrameFlag.EXTENDED) == (extended == "true")
        assert one.bus == bus
        assert one.data == bytes(int(byte, 16) for byte in data[: int(length)])


def _table(header: str, rows: list[str]) -> bytes:
    return (header + "\n" + "\n".join(rows) + "\n").encode()


@pytest.mark.parametrize(
    ("period", "decimals", "unit_ns"),
    [
        (0.01, 3, 1_000_000_000),
        (1.0, 1, 1_000_000_000),
        (0.02, 6, 1_000_000_000),
        (10.0, 1, 1_000_000),
        (20, 0, 1_000_000),
        (10_000, 0, 1000),
        (100_000_000, 0, 1),
    ],
)
def test_the_unit_of_time_follows_from_how_often_an_identifier_repeats(
    period: float, decimals: int, unit_ns: int
) -> None:
    rows = [f"{n * period:.{decimals}f},0x10,11" for n in range(50)]
    read, _ = read_all(DelimitedReader(), _table("time,id,data", rows))
    assert read[1].time_ns - read[0].time_ns == round(period * unit_ns)


def test_a_unit_that_cannot_be_told_is_asked_for() -> None:
    with pytest.raises(InputError, match="unit of its times") as caught:
        read_all(DelimitedReader(), _table("time,id,data", ["1,0x10,11", "2,0x11,11"]))
    assert "time_ms" in caught.value.fix


def test_times_since_1970_tell_their_unit_by_their_size() -> None:
    row = f"{START_NS // MS_NS},0x10,11"
    (one,), report = read_all(DelimitedReader(), _table("timestamp,id,data", [row]))
    assert one.time_ns == START_NS
    assert report.epoch == "utc"


@pytest.mark.parametrize(
    ("header", "lacking"),
    [
        ("time,speed,rpm", "identifier"),
        ("time,id,dlc", "data"),
        ("id,data,x", "time"),
    ],
)
def test_missing_columns_are_named(header: str, lacking: str) -> None:
    assert not DelimitedReader().matches(_table(header, ["1,2,3"]))
    with pytest.raises(InputError, match=lacking) as caught:
        read_all(DelimitedReader(), _table(header, ["1,2,3"]))
    assert "column" in caught.value.problem
    assert "first line" in caught.value.fix


def test_lines_before_the_header_are_passed_over() -> None:
    text = _table("recorder 7; firmware 1,2\n\ntime_s;id;data", ["0,5;0x10;11 22"])
    assert DelimitedReader().matches(text)
    (one,), report = read_all(DelimitedReader(), text)
    assert (one.time_ns, one.can_id, one.data) == (500_000_000, 0x10, b"\x11\x22")
    assert not report.problems


def test_decimal_identifiers_are_told_from_hexadecimal_ones() -> None:
    ids = [101, 202, 303, 404, 505, 606, 707, 808, 909]
    rows = [f"{n / 10},{can_id},11" for n, can_id in enumerate(ids)]
    read, report = read_all(DelimitedReader(), _table("time_s,id,data", rows))
    assert [one.can_id for one in read] == ids
    rows.append("1.0,0F1,11")
    read, report = read_all(DelimitedReader(), _table("time_s,id,data", rows))
    assert [one.can_id for one in read][:2] == [0x101, 0x202]
    read, report = read_all(DelimitedReader(), _table("time_s,id,data", rows[:2]))
    assert [one.can_id for one in read] == [0x101, 0x202]
    assert "hexadecimal" in report.problems[0].what
    read, _ = read_all(DelimitedReader(), _table("time_s,id [dec],data", rows[:2]))
    assert [one.can_id for one in read] == [101, 202]


def test_decimal_bytes_are_told_by_their_three_digits() -> None:
    rows = ["0.0,0x10,2,255,16", "0.1,0x10,2,0,7"]
    read, _ = read_all(DelimitedReader(), _table("time_s,id,dlc,B0,B1", rows))
    assert [one.data for one in read] == [b"\xff\x10", b"\x00\x07"]


def test_a_separator_inside_quotes_parts_nothing() -> None:
    rows = [f'{n / 10},0x10,"{n % 256:02X},FF,00"' for n in range(1000)]
    read, report = read_all(DelimitedReader(), _table("time_s,id,data", rows))
    assert [one.data for one in read] == [bytes([n % 256, 0xFF, 0]) for n in range(1000)]
    assert not report.problems


def test_bytes_without_a_leading_zero_are_read() -> None:
    rows = ["0.0,0x10,1 A FF", "0.1,0x10,11 22 33", "0.2,0x10,0 0 0 0 0 0 0 1"]
    read, report = read_all(DelimitedReader(), _table("time_s,id,data", rows))
    data = [b"\x01\x0a\xff", b"\x11\x22\x33", bytes(7) + b"\x01"]
    assert [one.data for one in read] == data
    cut, report = read_all(DelimitedReader(), _table("time_s,id,data", rows)[:-1])
    assert [one.data for one in cut] == data[:2]  # the last digit may be the first of two
    assert report.problems[0].where == "line 4"


def test_german_and_french_headers_are_known() -> None:
    rows = ["0,1;1;0x10;2;11 22", "0,2;1;0x10;1;33"]
    for header in ("Zeit [s];Kanal;Kennung;Länge;Daten", "Temps (s);Canal;ID;Longueur;Données"):
        read, report = read_all(DelimitedReader(), _table(header, rows))
        assert [(one.bus, one.data) for one in read] == [("1", b"\x11\x22"), ("1", b"\x33")]
        assert not report.problems


def test_a_date_with_the_day_first_is_known_by_its_points() -> None:
    rows = ["31.12.2024 23:59:59,5;0x10;11", "01.01.2025 00:00:00,5;0x10;22"]
    read, report = read_all(DelimitedReader(), _table("Zeitstempel;ID;Daten", rows))
    assert read[0].time_ns == 1_735_689_599_500_000_000  # as if it were UTC
    assert read[1].time_ns - read[0].time_ns == 1_000_000_000
    assert report.start_local is not None


def test_dates_are_read_and_only_a_zone_makes_them_absolute() -> None:
    local = ["2024-05-01 23:59:59.5,0x10,11", "2024-05-02 00:00:00.25,0x10,22"]
    read, report = read_all(DelimitedReader(), _table("time,id,data", local))
    assert read[1].time_ns - read[0].time_ns == 750_000_000
    assert report.epoch == "file"
    zoned = ["2024-05-01T12:00:00.5+02:00,0x10,11"]
    (one,), report = read_all(DelimitedReader(), _table("time,id,data", zoned))
    assert one.time_ns == 1_714_557_600_500_000_000  # 2024-05-01 10:00:00.5 UTC
    assert report.epoch == "utc"
    split = ["2024-05-01,12:00:00.5,0x10,11"]
    (one,), report = read_all(DelimitedReader(), _table("date,time,id,data", split))
    assert one.time_ns == 1_714_564_800_500_000_000
    assert report.epoch == "file"


def test_the_kind_of_a_frame_is_read_from_words() -> None:
    rows = [
        "0.0,0x10,Data Frame Ext,0,",
        "0.1,0x10,Remote Frame,4,",
        "0.2,0x10,CAN FD BRS,12," + "11" * 12,
    ]
    read, _ = read_all(DelimitedReader(), _table("time_s,id,type,len,data", rows))
    assert [one.flags for one in read] == [
        FrameFlag.EXTENDED,
        FrameFlag.REMOTE,
        FrameFlag.FD | FrameFlag.BIT_RATE_SWITCH,
    ]
    assert [one.length for one in read] == [0, 4, 12]


def test_it_is_a_reader() -> None:
    assert isinstance(DelimitedReader(), LogReader)


@pytest.mark.parametrize(
    "head", [b"", b"(1.0) can0 123#11\n", b";$FILEVERSION=1.1\n", b"\0" * 99, b"time;speed\n1;2\n"]
)
def test_other_files_are_not_taken_for_tables_of_frames(head: bytes) -> None:
    assert not DelimitedReader().matches(head)


_BITS = st.sampled_from(
    [b",", b";", b'"', b"\n", b"\r", b"\0", b"time_us,id,data\n", b"0x", b"1e400", b"=", b"\xff"]
)


@pytest.mark.slow
@settings(max_examples=3000, deadline=None)
@given(
    data=st.data(),
    written=st.lists(frames(start_ns=0), min_size=1, max_size=8),
    plain=st.booleans(),
    noise=st.lists(st.binary() | _BITS),
)
def test_nothing_makes_it_fail(
    data: st.DataObject,
    written: list[Sample],
    plain: bool,
    noise: list[bytes],
) -> None:
    if plain:
        rows = [f"{one.time_ns},{one.can_id:X},{one.bus},{_hex(one.data)}" for one in written]
        text = bytearray(_table("time_ns,id,bus,data", rows))
    else:
        text = bytearray((HEADER + "".join(map(base64_line, written))).encode())
    for piece in noise:
        at = data.draw(st.integers(0, len(text)))
        text[at : at + data.draw(st.integers(0, 8))] = piece
    DelimitedReader().matches(bytes(text[:4096]))
    with contextlib.suppress(InputError):  # what the header lacks
        read_all(DelimitedReader(), bytes(text))


@pytest.mark.parametrize(
    ("first", "second", "apart_s"),
    [
        ("31/12/2023 23:59:59", "01/01/2024 00:00:01", 2),
        ("12/31/2023 23:59:59", "01/01/2024 00:00:01", 2),
        ("05/06/2023 23:59:59", "06/06/2023 00:00:01", 2),
        ("06/05/2023 23:59:59", "06/06/2023 00:00:01", 2),
        ("12/31/23 11:59:59 PM", "1/1/24 12:00:01 AM", 2),
    ],
)
def test_dates_with_slashes_are_read_as_the_file_shows(
    first: str, second: str, apart_s: int
) -> None:
    """Day or month first: a number above 12 tells, else the days that lie together."""
    text = f"time,id,dlc,data\n{first},1F,1,00\n{second},1F,1,01\n"
    read, report = read_all(DelimitedReader(), text.encode())
    assert read[1].time_ns - read[0].time_ns == apart_s * 1_000_000_000
    assert not report.problems


def test_dates_with_slashes_that_do_not_tell_are_said_to_be_assumed() -> None:
    text = b"time,id,dlc,data\n05/06/2023 10:00:00,1F,1,00\n05/06/2023 10:00:01,1F,1,01\n"
    read, report = read_all(DelimitedReader(), text)
    assert read[0].time_ns == 1_685_959_200 * 1_000_000_000  # 5 June 2023, 10:00
    assert "day/month/year" in report.problems[0].what
