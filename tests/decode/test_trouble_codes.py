"""Trouble codes: published examples of OBD-II, UDS and J1939."""

from __future__ import annotations

import pytest

from canassist.decode.standards.diagnostic_codes import (
    MAKERS_OWN,
    code_name,
    find_trouble_codes,
    uds_status,
)
from canassist.decode.standards.diagnostic_messages import read_diagnosis
from canassist.model import CodeSighting
from tests.decode.hand_frames import Line, ride, stats_of
from tests.decode.test_transport import BAM, UDS_REPLY

ENGINE: Line = (0.0, "0CF00400#F07D7D803E0000FF")


def codes(*lines: Line) -> list[CodeSighting]:
    frames = ride(*lines)
    return list(find_trouble_codes(read_diagnosis(frames, stats_of(frames))))


@pytest.mark.parametrize(
    ("raw", "name"),
    [
        ("0135", "P0135"),
        ("0420", "P0420"),
        ("4035", "C0035"),
        ("5234", "C1234"),
        ("9234", "B1234"),
        ("C131", "U0131"),
        ("C420", "U0420"),
        ("7FFF", "C3FFF"),
        ("FFFF", "U3FFF"),
    ],
)
def test_two_bytes_print_as_the_standard_has_it(raw: str, name: str) -> None:
    """A forum post for 01 35, computed for the others."""
    assert code_name(bytes.fromhex(raw)) == name


def test_obd_services_are_merged_with_first_and_last_sighting() -> None:
    seen = codes(
        (1.0, "7E8#06430201350420"),
        (2.0, "7E8#0447010135"),
        (3.0, "7E8#06430201350420"),
        (4.0, "7E8#044A010135"),
        (5.0, "7E8#024300"),
    )
    assert [(one.code, one.first_s, one.last_s, one.status) for one in seen] == [
        ("P0135", 1.0, 4.0, "confirmed, pending, permanent"),
        ("P0420", 1.0, 3.0, "confirmed"),
    ]
    assert seen[0].protocol == "OBD-II"
    assert seen[0].sender == "unit 7E8"


def test_padding_behind_the_counted_codes_is_no_code() -> None:
    assert [one.code for one in codes((0.0, "7E8#0643010135AAAA"))] == ["P0135"]
    assert codes((0.0, "7E8#064302000000 00".replace(" ", ""))) == []


def test_a_published_uds_reply_gives_its_three_codes() -> None:
    lines = [(0.01 * number, f"7E8#{row}") for number, row in enumerate(UDS_REPLY)]
    seen = {one.code: one for one in codes(*lines)}
    assert set(seen) == {"C1234-13", "U0121-87", "C0B01-11"}
    assert seen["C1234-13"].status == (
        "2F: test failed, confirmed, pending, failed this cycle, failed since clearing"
    )
    assert seen["U0121-87"].status == "08: confirmed"
    assert seen["C0B01-11"].status == "09: test failed, confirmed"
    assert seen["C1234-13"].text == f"{MAKERS_OWN}; open circuit"
    assert seen["U0121-87"].text == "missing message"  # the code's own title could not be sourced
    assert seen["C1234-13"].protocol == "UDS"


def test_codes_of_the_steering_module_are_spelled_out() -> None:
    seen = codes((0.0, "7E8#07 5902FFC1310008".replace(" ", "")))
    assert seen[0].code == "U0131-00"
    assert "power steering module" in seen[0].text


def test_a_code_that_was_only_never_tested_is_no_finding() -> None:
    assert codes((0.0, "7E8#075902FF52341350")) == []
    assert codes((0.0, "7E8#075902FF52341300")) == []


def test_uds_replies_outside_the_legislated_identifiers_count_too() -> None:
    assert [one.sender for one in codes((0.0, "738#075902FF52341308"))] == ["unit 738"]
    assert [one.sender for one in codes((0.0, "18DAF130#075902FF52341308"))] == ["unit 30"]


def test_obd_services_count_on_legislated_identifiers_only() -> None:
    assert codes((0.0, "738#0443010135")) == []


def test_every_status_bit_has_its_words() -> None:
    assert uds_status(0xFF).count(",") == 7


VERSIONS = [
    ("B804030A", "97000 38A".replace(" ", ""), "0097038A", 1208, 3, 10),
    ("A8000403", "15000483", "00150483", 168, 4, 3),
    ("0F071301", "E100F381", "00E1F381", 1807, 19, 1),
    ("00F0FF7E", "00FE1FFE", "FE001FFE", 520192, 31, 126),
]


@pytest.mark.parametrize("example", VERSIONS)
def test_a_j1939_code_reads_in_the_present_layout(
    example: tuple[str, str, str, int, int, int],
) -> None:
    """Packed by hand and by a J1939 library."""
    now, second, first, spn, fmi, count = example
    (seen,) = codes(ENGINE, (1.0, f"18FECA00#04FF{now}FFFF"))
    assert seen.code == f"SPN {spn} FMI {fmi}"
    assert f"occurrences {count}" in seen.status
    assert "amber warning lamp" in seen.status
    for old in (now[:6] + f"{int(now[6:], 16) | 0x80:02X}", second, first):
        (doubtful,) = codes(ENGINE, (1.0, f"18FECA00#04FF{old}FFFF"))
        assert f"FMI {fmi}" in doubtful.code
        assert not doubtful.code.startswith("SPN")
        assert str(spn) in doubtful.text.replace("SPN ", "").split()


def test_a_broadcast_list_gives_every_code() -> None:
    seen = codes(ENGINE, *BAM)
    assert {(one.code, one.text) for one in seen} == {
        ("SPN 168 FMI 4", "battery potential"),
        ("SPN 1807 FMI 19", "steering wheel angle"),
    }
    assert {one.first_s for one in seen} == {0.12}


def test_single_frames_as_a_packages_tests_have_them() -> None:
    (seen,) = codes(ENGINE, (0.5, "18FECA00#40FF5B000301FFFF"))
    assert seen.code == "SPN 91 FMI 3"
    assert seen.status == "active, occurrences 1, malfunction lamp"
    assert codes(ENGINE, (0.5, "18FECA00#00FF00000000FFFF")) == []


def test_earlier_codes_are_told_from_active_ones() -> None:
    (seen,) = codes(ENGINE, (0.5, "18FECB00#00FF5B000301FFFF"))
    assert seen.status.startswith("previously active")


def test_a_count_that_is_not_available_is_not_shown() -> None:
    (seen,) = codes(ENGINE, (0.5, "18FECA00#00FF5B00037FFFFF"))
    assert seen.status == "active"


def test_a_damaged_dm1_frame_without_data_holds_no_code() -> None:
    good = (1.0, "18FECA00#0400A8000403FFFF")
    assert [one.code for one in codes(ENGINE, (0.5, "18FECA00#"), good)] == ["SPN 168 FMI 4"]
