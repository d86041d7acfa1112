"""ISO-TP and J1939 transport: published examples whole, and with parts missing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canassist.decode.standards.transport import (
    iso_tp_share,
    reassemble_iso_tp,
    reassemble_j1939,
)
from tests.decode.hand_frames import Line, column, ride

UDS_REPLY = ("100F5902FF523413", "212FC1218708 4B01".replace(" ", ""), "221109CCCCCCCCCC")
"""15 bytes; two ISO-TP libraries agreed on it."""

VIN_REPLY = ("1014490201314D38", "2147444D3941584B", "2250303432373838")

BAM: tuple[Line, ...] = (
    (0.00, "1CECFF00#200A0002FFCAFE00"),
    (0.06, "1CEBFF00#0104FFA80004030F"),
    (0.12, "1CEBFF00#02071301FFFFFFFF"),
)
BAM_PAYLOAD = "04FFA80004030F071301"


def whole(*rows: str, step_s: float = 0.01) -> list[str]:
    times = [step_s * number for number in range(len(rows))]
    frames = column(0x7E8, [bytes.fromhex(row) for row in rows], time_s=times)
    return [one.data.hex().upper() for one in reassemble_iso_tp(frames)]


def test_a_published_reply_of_three_frames_comes_out_whole() -> None:
    assert whole(*UDS_REPLY) == ["5902FF5234132FC12187084B011109"]


def test_a_published_vin_reply_comes_out_whole() -> None:
    (data,) = whole(*VIN_REPLY)
    assert bytes.fromhex(data)[3:].decode() == "1M8GDM9AXKP042788"


def test_flow_control_in_between_changes_nothing() -> None:
    assert len(whole(UDS_REPLY[0], "300000", *UDS_REPLY[1:])) == 1


@pytest.mark.parametrize("missing", [0, 1, 2])
def test_a_missing_part_costs_that_message_only(missing: int) -> None:
    rows = [row for number, row in enumerate(UDS_REPLY) if number != missing]
    assert whole(*rows, *VIN_REPLY, "03410D3C") == [*whole(*VIN_REPLY), "410D3C"]


def test_parts_too_far_apart_do_not_belong_together() -> None:
    assert whole(*UDS_REPLY, step_s=1.5) == []


@pytest.mark.parametrize("row", ["00410D", "0F410D", "1007410C1AF80D3C", "1000410C1AF80D3C", ""])
def test_lengths_that_the_standard_forbids_are_ignored(row: str) -> None:
    """0 or above 7 in a single frame, 7 or below in a first frame (two public articles)."""
    assert whole(row, "21AABBCCDDEEFF00", "03410D3C") == ["410D3C"]


def test_a_long_single_frame_of_can_fd_is_whole() -> None:
    """First byte 0, second the length (ISO 15765-2:2016, from memory)."""
    data = bytes.fromhex("5902FF52341308C1218708")
    frames = column(0x7E8, [bytes([0, len(data)]) + data + bytes(3), bytes([0, 60]) + bytes(10)])
    assert [one.data for one in reassemble_iso_tp(frames)] == [data]
    assert iso_tp_share(frames) == 0.5


def test_a_single_frame_cut_short_is_ignored() -> None:
    assert whole("03410D") == []


@given(size=st.integers(8, 4095), seed=st.integers(0, 255))
def test_any_length_survives_the_way_through_frames(size: int, seed: int) -> None:
    data = bytes((seed + number * 7) % 256 for number in range(size))
    rows = [bytes([0x10 | size >> 8, size & 0xFF]) + data[:6]]
    rows += [
        bytes([0x20 | number & 0x0F]) + data[at : at + 7]
        for number, at in enumerate(range(6, size, 7), start=1)
    ]
    frames = column(0x7E8, rows, time_s=[0.001 * number for number in range(len(rows))])
    assert [one.data for one in reassemble_iso_tp(frames)] == [data]
    assert iso_tp_share(frames) == 1.0


@given(rows=st.lists(st.binary(max_size=8), max_size=60))
def test_no_frames_whatever_break_the_reassembly(rows: list[bytes]) -> None:
    assert all(one.data for one in reassemble_iso_tp(column(0x7E8, rows)))
    assert 0.0 <= iso_tp_share(column(0x7E8, rows)) <= 1.0


def groups(*lines: Line) -> list[tuple[int, int, str]]:
    found = reassemble_j1939(ride(*lines), frozenset({0}))
    return [(one.group, one.address, one.data.hex().upper()) for one in found]


def test_a_broadcast_announcement_comes_out_whole() -> None:
    assert groups(*BAM) == [(0xFECA, 0x00, BAM_PAYLOAD)]


def test_a_broadcast_with_a_packet_missing_is_dropped_and_the_next_one_read() -> None:
    later = [(time_s + 2.0, frame) for time_s, frame in BAM]
    assert groups(BAM[0], BAM[2], *later) == [(0xFECA, 0x00, BAM_PAYLOAD)]
    assert groups(*BAM[1:]) == []


def test_packets_may_come_twice_or_out_of_order() -> None:
    swapped = (BAM[0], (0.06, BAM[2][1]), (0.07, BAM[2][1]), (0.12, BAM[1][1]))
    assert groups(*swapped) == [(0xFECA, 0x00, BAM_PAYLOAD)]


def test_a_request_to_send_is_followed_between_its_two_addresses() -> None:
    lines = (
        (0.00, "1CECF900#100A0002FFCAFE00"),
        (0.01, "1CEC00F9#110201FFFFCAFE00"),  # clear to send, the other way
        (0.02, "1CEBF900#0104FFA80004030F"),
        (0.03, "1CEBFF00#01AAAAAAAAAAAAAA"),  # somebody's broadcast in between
        (0.04, "1CEBF900#02071301FFFFFFFF"),
        (0.05, "1CEC00F9#130A0002FFCAFE00"),
    )
    assert groups(*lines) == [(0xFECA, 0x00, BAM_PAYLOAD)]


def test_an_abort_from_either_side_ends_it() -> None:
    for side in ("1CECF900", "1CEC00F9"):
        lines = (
            (0.00, "1CECF900#100A0002FFCAFE00"),
            (0.01, "1CEBF900#0104FFA80004030F"),
            (0.02, f"{side}#FF01FFFFFFCAFE00"),
            (0.03, "1CEBF900#02071301FFFFFFFF"),
        )
        assert groups(*lines) == []


def test_an_announcement_that_contradicts_itself_is_ignored() -> None:
    for announced in ("20080002FFCAFE00", "200A0009FFCAFE00", "20FFFF02FFCAFE00"):
        assert groups((0.0, f"1CECFF00#{announced}"), *BAM[1:]) == []


@given(
    rows=st.lists(
        st.tuples(st.sampled_from(["1CECFF00", "1CEBFF00"]), st.binary(max_size=8)), max_size=40
    )
)
def test_no_j1939_frames_whatever_break_the_reassembly(rows: list[tuple[str, bytes]]) -> None:
    lines = [(0.01 * n, f"{name}#{data.hex()}") for n, (name, data) in enumerate(rows)]
    for _, _, data in groups(*lines):
        assert len(data) > 16
