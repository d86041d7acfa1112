"""Lengths of frames on the bus, against the published table and hand-worked frames."""

from __future__ import annotations

import pytest

from canassist.model import FrameFlag
from canassist.readers.frame_bits import (
    SHAPE_BITS,
    crc15,
    exact_bits,
    fd_nominal_bits,
    nominal_bits,
    shapes_of,
    stuffed_bits,
    worst_bits,
)


def test_lengths_without_stuff_bits() -> None:
    """Linux ``can/length.h``: 47 + 8n bits with an 11-bit identifier, 67 + 8n with 29 bits."""
    assert [nominal_bits(n, extended=False) for n in range(9)] == [
        *(47, 55, 63, 71, 79, 87, 95, 103, 111)
    ]
    assert [nominal_bits(n, extended=True) for n in range(9)] == [
        *(67, 75, 83, 91, 99, 107, 115, 123, 131)
    ]
    assert nominal_bits(8, extended=False, remote=True) == 47


def test_lengths_with_the_most_stuff_bits() -> None:
    """One stuff bit for the first five bits alike and one for every further four."""
    assert [worst_bits(n, extended=False) for n in range(9)] == [55 + 10 * n for n in range(9)]
    assert [worst_bits(n, extended=True) for n in range(9)] == [80 + 10 * n for n in range(9)]


def test_lengths_of_fd_frames() -> None:
    """Linux ``can/length.h``: fields with the 17-bit checksum, and the 21-bit one from 20 bytes."""
    assert [fd_nominal_bits(n, extended=False) for n in (0, 8, 16, 20, 64)] == [
        *(62, 126, 190, 227, 579)
    ]
    assert fd_nominal_bits(16, extended=True) == 81 + 128
    assert fd_nominal_bits(20, extended=True) == 86 + 160


def test_the_checksum_of_the_usual_check_string() -> None:
    """CRC-15/CAN of "123456789" is 0x059E (catalogue of checksum algorithms)."""
    bits = [(byte >> place) & 1 for byte in b"123456789" for place in range(7, -1, -1)]
    assert crc15(bits) == 0x059E


@pytest.mark.parametrize(
    ("can_id", "data", "extended", "total"),
    [
        (0x123, "DEADBEEF", False, 81),
        (0x000, "", False, 53),
        (0x000, "0000000000000000", False, 127),
        (0x7FF, "FFFFFFFFFFFFFFFF", False, 126),
        (0x555, "5555555555555555", False, 112),
        (0x078, "3C3C3C3C3C3C3C3C", False, 131),
        (0x7DF, "02010C0000000000", False, 123),
        (0x7E8, "04410C1AF8000000", False, 122),
        (0x18FEF100, "FFFFFFFFFFFFFFFF", True, 146),
        (0x0CF00400, "F07D7D803E0000FF", True, 144),
        (0x1FFFFFFF, "", True, 74),
    ],
)
def test_exact_lengths(can_id: int, data: str, *, extended: bool, total: int) -> None:
    """Worked out with three ways to the checksum and two to the stuff bits."""
    assert exact_bits(can_id, bytes.fromhex(data), extended=extended) == total


def test_a_remote_frame_keeps_its_length_code_and_has_no_data() -> None:
    assert exact_bits(0x123, b"", extended=False, remote=0) == 48


def test_the_stuffed_bits_of_one_frame() -> None:
    assert stuffed_bits(0x123, bytes.fromhex("DEADBEEF"), extended=False) == (
        "00010010001100001001101111010101101101111100111011111000111001101011"
    )


def test_bus_load_of_two_identifiers() -> None:
    """100 frames a second of 127 bits and 100 of 53 at 500 kbit/s are 3.60 %."""
    full = exact_bits(0, bytes(8), extended=False)
    empty = exact_bits(0, b"", extended=False)
    assert 100 * (full + empty) / 500_000 == pytest.approx(0.036)
    worst = worst_bits(8, extended=False) + worst_bits(0, extended=False)
    assert 100 * worst / 500_000 == pytest.approx(0.038)


@pytest.mark.parametrize(
    ("flags", "length", "bits"),
    [
        (FrameFlag(0), 8, 111),
        (FrameFlag.SENT, 8, 111),
        (FrameFlag.EXTENDED, 3, 91),
        (FrameFlag.REMOTE, 8, 47),
        (FrameFlag.FD, 64, 579),
        (FrameFlag.FD | FrameFlag.EXTENDED | FrameFlag.BIT_RATE_SWITCH, 16, 209),
        (FrameFlag.ERROR, 8, 0),
    ],
)
def test_the_table_of_shapes_agrees(flags: FrameFlag, length: int, bits: int) -> None:
    import numpy as np  # noqa: PLC0415 - only here

    shape = shapes_of(np.array([int(flags)], np.uint8), np.array([length], np.uint8))
    assert SHAPE_BITS[shape].tolist() == [bits]
