"""J1939 and OBD-II quantities with no database: published examples, and traffic that is neither."""

from __future__ import annotations

import math

import numpy as np
import pytest

from canassist.decode.database.layouts import group_mask
from canassist.decode.standards import j1939, obd
from canassist.decode.standards.j1939 import StandardQuantity, group_of, j1939_buses
from canassist.decode.standards.standard_quantities import (
    STANDARD_IDS,
    STANDARD_MASKS,
    find_standard,
)
from canassist.model import EXTENDED_KEY, IdSet
from tests.decode.hand_frames import Line, extended, ride, stats_of

ENGINE = "0CF00400#F07D7D803E0000FF"
"""Keeps a bus J1939: engine speed 2000 rpm."""


def found(*lines: Line) -> dict[str, StandardQuantity]:
    """Return the first quantity of each name."""
    frames = ride(*lines)
    quantities: dict[str, StandardQuantity] = {}
    for one in find_standard(frames, stats_of(frames)):
        quantities.setdefault(one.name, one)
    return quantities


@pytest.mark.parametrize(
    ("can_id", "group", "priority_free_match"),
    [
        (0x0CF00400, 0xF004, 0x00F00400),
        (0x18FEF100, 0xFEF1, 0x00FEF100),
        (0x18FEF121, 0xFEF1, 0x00FEF100),
        (0x18EA00F9, 0xEA00, 0x00EA0000),
        (0x1CECFF00, 0xEC00, 0x00EC0000),
        (0x1CEBFF00, 0xEB00, 0x00EB0000),
        (0x18FECA00, 0xFECA, 0x00FECA00),
        (0x18F0090B, 0xF009, 0x00F00900),
        (0x19F20100, 0x1F201, 0x01F20100),
    ],
)
def test_an_identifier_splits_into_its_parameter_group(
    can_id: int, group: int, priority_free_match: int
) -> None:
    """Two ways agreed on these: an own split and a J1939 library."""
    assert group_of(extended(can_id)) == group
    mask = group_mask(extended(can_id))
    assert mask.match == priority_free_match
    assert can_id & mask.mask == mask.match


J1939_EXAMPLES = [
    # by hand and with cantools; public signal tables
    ("18FEF100#FF143FFFFFFFFFFF", "J1939.SPN_84", 63.078125),
    ("18FEF100#FF0019FFFFFFFFFF", "J1939.SPN_84", 25.0),
    ("0CF00400#F07D7D803E0000FF", "J1939.SPN_190", 2000.0),
    ("18FEF700#FFFFFFFF1C01FFFF", "J1939.SPN_168", 14.20),
    ("18FEF700#FFFFFFFFFFFF0001", "J1939.SPN_158", 12.80),
    ("18FEEE00#7DFFFFFFFFFFFFFF", "J1939.SPN_110", 85.0),
    # a generator set's manual; the README of a J1939 printing tool
    ("0CF00400#FF7D7DE015FFF0FF", "J1939.SPN_190", 700.0),
    ("0CF00400#207D87481400F087", "J1939.SPN_190", 649.0),
]


@pytest.mark.parametrize(("frame", "name", "value"), J1939_EXAMPLES)
def test_a_published_j1939_example_comes_out(frame: str, name: str, value: float) -> None:
    quantity = found((0.0, frame), (0.1, "18FEDF00#FFFFFFFFFFFFFFFF"), (0.2, ENGINE))[name]
    assert quantity.value[0] == pytest.approx(value, abs=1e-9)


def test_the_steering_angle_turns_right_positive() -> None:
    """SPN 1807: raw 8000 is +0.6260 rad = 35.867 deg, to the left."""
    lines = [(0.0, "18F0090B#0080FFFFFFFFFFFF"), (0.1, "18F0090B#7F7DFFFFFFFFFFFF"), (0.2, ENGINE)]
    angle = found(*lines)["J1939.SPN_1807"]
    assert angle.channel == "steering_angle"
    assert angle.value[0] == pytest.approx(-35.867, abs=5e-4)
    assert angle.value[1] == pytest.approx(-math.degrees(0.00002), abs=5e-4)


@pytest.mark.parametrize("raw", ["00FE", "FFFE", "00FF", "FFFF", "00FB", "FFFD"])
def test_error_and_not_available_codes_are_no_speed(raw: str) -> None:
    """FE00 would read as a plausible 254.0 km/h, FF00 as 255.0."""
    lines = [(0.1 * n, "18FEF100#FF0019FFFFFFFFFF") for n in range(99)]
    speed = found(*lines, (10.0, f"18FEF100#FF{raw}FFFFFFFFFF"), (11.0, ENGINE))["J1939.SPN_84"]
    assert np.isnan(speed.value[-1])
    assert speed.good == 99
    assert sum(speed.left_out.values()) == 1


def test_the_top_of_the_valid_range_is_a_value() -> None:
    speed = found((0.0, "18FEF100#FFFFFAFFFFFFFFFF"), (0.1, ENGINE))["J1939.SPN_84"]
    assert speed.value.tolist() == [0xFAFF / 256]


def test_a_parameter_that_is_never_available_is_not_found() -> None:
    lines = [(0.0, "18F00131#F7FFFF07CCFFFFFF"), (0.1, "18FEF131#F7FFFF07CCFFFFFF"), (0.2, ENGINE)]
    assert "J1939.SPN_84" not in found(*lines)


def test_any_source_address_will_do_and_the_busiest_comes_first() -> None:
    lines: list[Line] = [(0.0, ENGINE)]
    lines += [(0.1 * n, "18FEF121#FF0010FFFFFFFFFF") for n in range(3)]
    lines += [(0.1 * n, "0CFEF131#FF0020FFFFFFFFFF") for n in range(5)]
    assert found(*lines)["J1939.SPN_84"].sender == "address 31"


def test_a_bus_of_a_makers_own_29_bit_identifiers_is_left_alone() -> None:
    own = [(0.01 * n, f"1{n:07X}#0011223344556677") for n in range(20)]
    assert found((0.0, "18FEF100#FF0019FFFFFFFFFF"), *own) == {}


def test_frames_of_another_length_are_not_j1939() -> None:
    assert "J1939.SPN_84" not in found((0.0, "18FEF100#FF0019"), (0.1, ENGINE))


def test_reserved_codes_all_over_are_not_j1939() -> None:
    lines = [(0.1 * n, "18FEF100#FF00FCFFFFFFFFFF") for n in range(20)]
    lines += [(3.0, "18FEF100#FF0019FFFFFFFFFF"), (4.0, ENGINE)]
    assert "J1939.SPN_84" not in found(*lines)


def test_each_bus_is_judged_by_itself() -> None:
    speaks = ride((0.0, ENGINE), (0.1, "18FEF100#FF0019FFFFFFFFFF"))
    silent = ride((0.0, "18FEF100#FF0019FFFFFFFFFF"), (0.1, "1ABCDE01#00"), bus=1)
    frames = {**speaks, **silent}
    assert j1939_buses(stats_of(frames)) == {0}


OBD_EXAMPLES = [
    # public tables of parameters; a question-and-answer page for 12 13; 1F, 46 and 5C from memory
    ("04410C1AF8CCCCCC", "OBD.PID_0C", "engine_speed", 1726.0),
    ("04410C1213000000", "OBD.PID_0C", "engine_speed", 1156.75),
    ("04410C0B30000000", "OBD.PID_0C", "engine_speed", 716.0),
    ("03410D3C", "OBD.PID_0D", "vehicle_speed", 60.0),
    ("03410D12AAAAAAAA", "OBD.PID_0D", "vehicle_speed", 18.0),
    ("0341057BAAAAAAAA", "OBD.PID_05", "coolant_temperature", 83.0),
    ("04414237DCAAAAAA", "OBD.PID_42", "system_voltage", 14.300),
    ("04414238A4AAAAAA", "OBD.PID_42", "system_voltage", 14.500),
    ("0341463FAAAAAAAA", "OBD.PID_46", "ambient_temperature", 23.0),
    ("03415C73AAAAAAAA", "OBD.PID_5C", "", 75.0),
    ("04411F012CAAAAAA", "OBD.PID_1F", "", 300.0),
]


@pytest.mark.parametrize(("data", "name", "channel", "value"), OBD_EXAMPLES)
@pytest.mark.parametrize("reply_id", ["7E8", "7EF", "18DAF110", "18DAF1FE"])
def test_a_published_obd_example_comes_out_of_either_addressing(
    data: str, name: str, channel: str, value: float, reply_id: str
) -> None:
    quantity = found((0.0, "7DF#02010C0000000000"), (0.1, f"{reply_id}#{data}"))[name]
    assert quantity.channel == channel
    assert quantity.value.tolist() == pytest.approx([value])


def test_of_several_units_the_one_that_says_most_comes_first() -> None:
    lines = [(0.1 * n, "7E8#03410D10") for n in range(2)]
    lines += [(0.1 * n, "7EA#03410D20") for n in range(4)]
    quantities = obd.find_quantities(ride(*lines))
    assert [(one.sender, one.good) for one in quantities] == [("unit 7EA", 4), ("unit 7E8", 2)]


def test_one_reply_may_hold_several_parameters() -> None:
    """One request for several: single frame, then first and consecutive frame."""
    quantities = found(
        (0.0, "7E8#06410C1AF80D3C"),  # 0C and 0D in one frame
        (1.0, "7E8#100A410C12130D10"),
        (1.1, "7E8#214237DC05AAAAAA"),
    )
    assert quantities["OBD.PID_0C"].value.tolist() == [1726.0, 1156.75]
    assert quantities["OBD.PID_0D"].value.tolist() == [60.0, 16.0]
    assert quantities["OBD.PID_42"].value.tolist() == [14.3]


def test_replies_in_can_fd_frames_are_read() -> None:
    quantities = found((0.0, "7E8#000A410C1AF80D3C4237DC05AA"), (1.0, "7E8#03410D10"))
    assert quantities["OBD.PID_0D"].value.tolist() == [60.0, 16.0]
    assert quantities["OBD.PID_42"].value.tolist() == [14.3]


def test_ordinary_traffic_under_a_reply_identifier_is_not_diagnosis() -> None:
    lines = [(0.01 * n, f"7E8#{n:02X}410D3C11223344") for n in range(200)]
    assert found(*lines) == {}


def test_negative_replies_and_other_services_do_not_disturb() -> None:
    lines = [(0.0, "7E8#037F0112"), (0.1, "7E8#0641000000000000"), (0.2, "7E8#03410D3C")]
    assert found(*lines)["OBD.PID_0D"].value.tolist() == [60.0]


def test_everything_standard_is_asked_of_the_reader() -> None:
    wanted = IdSet(STANDARD_IDS, STANDARD_MASKS)
    ids = [0x7DF, 0x7E8, 0x7EF, 0x18FEF131, 0x0CF00400, 0x1CECFF00, 0x18DAF110, 0x18DB33F1]
    is_extended = np.array([can_id > 0x7FF for can_id in ids])
    assert wanted.contains(np.array(ids, dtype=np.uint32), is_extended).all()
    assert not wanted.contains(np.array([0x123], dtype=np.uint32), np.array([False])).any()


def test_a_request_is_not_taken_for_a_reply() -> None:
    assert obd.is_reply_id(EXTENDED_KEY | 0x18DAF110)
    assert not obd.is_reply_id(EXTENDED_KEY | 0x18DB33F1)
    assert not obd.is_reply_id(0x7DF)
    assert j1939.is_read_group(extended(0x18FEF1AA))
    assert not j1939.is_read_group(0x7E8)
