"""Identification that passes on the bus."""

from __future__ import annotations

import pytest

from canassist.decode.standards.diagnostic_messages import read_diagnosis
from canassist.decode.standards.identity import find_identity
from canassist.model import Identity
from canassist.vin import vin_check_digit_ok
from tests.decode.hand_frames import Line, ride, stats_of
from tests.decode.test_transport import VIN_REPLY

ENGINE: Line = (0.0, "0CF00400#F07D7D803E0000FF")
ONES = "1" * 17


def identity(*lines: Line) -> Identity:
    frames = ride(*lines)
    return find_identity(read_diagnosis(frames, stats_of(frames)))


def iso_tp(data: bytes, reply_id: str = "7E8", start_s: float = 0.0) -> list[Line]:
    """Cut a reply into frames."""
    if len(data) < 8:
        return [(start_s, f"{reply_id}#{bytes([len(data)]).hex()}{data.hex()}")]
    head = bytes([0x10 | len(data) >> 8, len(data) & 0xFF]) + data[:6]
    rest = [
        bytes([0x20 | number & 0x0F]) + data[at : at + 7]
        for number, at in enumerate(range(6, len(data), 7), start=1)
    ]
    return [
        (start_s + 0.01 * number, f"{reply_id}#{row.hex()}")
        for number, row in enumerate([head, *rest])
    ]


def test_a_vin_of_service_09_is_read_and_tested() -> None:
    """49 CFR 565's own example; its check digit is X."""
    found = identity(*((0.01 * n, f"7E8#{row}") for n, row in enumerate(VIN_REPLY)))
    assert found.vin == "1M8GDM9AXKP042788"
    assert found.vin_check_digit_ok is True


@pytest.mark.parametrize(
    ("vin", "right"),
    [
        ("1M8GDM9AXKP042788", True),
        (ONES, True),
        ("1M8GDM9A1KP042788", False),
        ("1" * 16 + "2", False),
        ("1" * 16, False),
        ("I" * 17, False),
    ],
)
def test_the_check_digit_follows_the_federal_rule(vin: str, right: bool) -> None:
    assert vin_check_digit_ok(vin) is right


@pytest.mark.parametrize(
    ("number", "field", "text"),
    [
        ("F187", "part_number", "PN-4711 B"),
        ("F188", "software_version", "SW0042"),
        ("F189", "software_version", "1.20"),
        ("F18C", "serial_number", "S0001234567"),
        ("F195", "software_version", "0007"),
        ("F190", "vin", ONES),
    ],
)
def test_uds_identification_is_read(number: str, field: str, text: str) -> None:
    found = identity(*iso_tp(bytes.fromhex(f"62{number}") + text.encode()))
    assert getattr(found, field) == text


def test_filler_is_dropped_and_numbers_are_shown_as_digits() -> None:
    assert identity(*iso_tp(b"\x62\xf1\x87AB12\x00\x00\xff")).part_number == "AB12"
    assert identity(*iso_tp(b"\x62\xf1\x89\x01\x02\x03")).software_version == "010203"


def test_several_units_stand_apart() -> None:
    lines = iso_tp(b"\x62\xf1\x89A1", "7E8") + iso_tp(b"\x62\xf1\x89B2", "738", 1.0)
    assert identity(*lines).software_version == "B2 (unit 738), A1 (unit 7E8)"


def test_calibration_identification_is_software() -> None:
    data = b"\x49\x04\x02" + b"CAL-A".ljust(16, b"\x00") + b"CAL-B".ljust(16, b"\x00")
    assert identity(*iso_tp(data)).software_version == "CAL-A / CAL-B"


def j1939_broadcast(group: str, data: bytes) -> list[Line]:
    packets = -(-len(data) // 7)
    low, mid, high = group[4:6], group[2:4], group[0:2]
    head = f"20{len(data) & 0xFF:02X}{len(data) >> 8:02X}{packets:02X}FF{low}{mid}{high}"
    lines: list[Line] = [(0.1, f"1CECFF13#{head}")]
    for number in range(packets):
        part = data[number * 7 : number * 7 + 7].ljust(7, b"\xff")
        lines.append((0.2 + 0.05 * number, f"1CEBFF13#{number + 1:02X}{part.hex()}"))
    return lines


def test_j1939_identification_is_read() -> None:
    component = j1939_broadcast("00FEEB", b"MAKER*EPS-9*SN123456*U7*")
    found = identity(ENGINE, *component)
    assert (found.part_number, found.serial_number) == ("MAKER EPS-9", "SN123456")
    software = j1939_broadcast("00FEDA", b"\x02EPS 3.1*BOOT 2*")
    assert identity(ENGINE, *software).software_version == "EPS 3.1 / BOOT 2"
    vin = j1939_broadcast("00FEEC", ONES.encode() + b"*")
    assert identity(ENGINE, *vin).vin == ONES


def test_nothing_asked_nothing_known() -> None:
    assert identity((0.0, "7E8#03410D3C")) == Identity()


def test_a_vin_of_another_length_is_no_vin() -> None:
    assert identity(*iso_tp(b"\x62\xf1\x90" + b"SHORT")).vin == ""


@pytest.mark.parametrize("vin", ["UU1" + "1" * 14, "1" * 16 + "U"])
def test_a_u_at_either_end_is_a_letter_and_no_filler(vin: str) -> None:
    """55, with which some units fill their frames up, is the letter U."""
    assert identity(*iso_tp(b"\x62\xf1\x90" + vin.encode())).vin == vin
    assert identity(*iso_tp(b"\x62\xf1\x87U77U")).part_number == "U77U"


def test_what_changes_from_reply_to_reply_identifies_nothing() -> None:
    same = iso_tp(b"\x62\xf1\x87AB12") + iso_tp(b"\x62\xf1\x87AB12", start_s=1.0)
    assert identity(*same).part_number == "AB12"
    assert identity(*same, *iso_tp(b"\x62\xf1\x87AB13", start_s=2.0)).part_number == ""


def test_no_payload_stands_where_an_identification_would() -> None:
    assert identity(*iso_tp(b"\x62\xf1\x87" + bytes(range(1, 40)))).part_number == ""
    long = [iso_tp(b"\x62\xf1\x87" + b"X" * 60, f"7{n}8", float(n)) for n in range(2, 6)]
    assert identity(*(line for one in long for line in one)).part_number == ""
