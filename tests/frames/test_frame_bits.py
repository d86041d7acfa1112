"""Lengths of frames on the bus, against the published table and hand-worked frames."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canassist.frames.bus_stats.frame_bits import (
    SHAPE_BITS,
    fd_nominal_bits,
    nominal_bits,
    shapes_of,
    stuff_bits,
)
from canassist.model import FrameFlag


def _bits(value: int, width: int) -> str:
    return f"{value:0{width}b}"


def _crc15(bits: str) -> int:
    """Divide by x15 + 0x4599 on paper: subtract the divisor under every leading one."""
    rest = int(bits + "0" * 15, 2)
    while rest.bit_length() > 15:
        rest ^= (0x8000 | 0x4599) << (rest.bit_length() - 16)
    return rest


def _stuffed(can_id: int, data: bytes, *, extended: bool, remote: bool = False) -> str:
    """Write a frame out as text and put stuff bits in, to the end of the checksum."""
    if extended:
        head = f"0{_bits(can_id >> 18, 11)}11{_bits(can_id & 0x3FFFF, 18)}{remote:d}00"
    else:
        head = f"0{_bits(can_id, 11)}{remote:d}00"
    plain = head + _bits(len(data), 4) + "".join(_bits(byte, 8) for byte in data)
    plain += _bits(_crc15(plain), 15)
    out = ""
    for bit in plain:
        out += bit
        if out.endswith(("00000", "11111")):
            out += "0" if bit == "1" else "1"
    return out


def _total(can_id: int, data: bytes, *, extended: bool, remote: bool = False) -> int:
    """Count delimiter, acknowledge, its delimiter, 7 bits of end and 3 of gap behind it."""
    return len(_stuffed(can_id, data, extended=extended, remote=remote)) + 13


def _ours(can_id: int, data: bytes, *, extended: bool) -> int:
    """Count the same frame with the product's arrays."""
    payload = np.frombuffer(data.ljust(8, b"\0"), dtype=np.uint8).reshape(1, 8)
    stuffed = stuff_bits(
        np.array([can_id], np.uint32),
        np.array([extended]),
        np.array([len(data)], np.uint8),
        payload,
    )
    return nominal_bits(len(data), extended=extended) + int(stuffed[0])


def test_lengths_without_stuff_bits() -> None:
    """Linux ``can/length.h``: 47 + 8n bits with an 11-bit identifier, 67 + 8n with 29 bits."""
    assert [nominal_bits(n, extended=False) for n in range(9)] == [
        *(47, 55, 63, 71, 79, 87, 95, 103, 111)
    ]
    assert [nominal_bits(n, extended=True) for n in range(9)] == [
        *(67, 75, 83, 91, 99, 107, 115, 123, 131)
    ]
    assert nominal_bits(8, extended=False, remote=True) == 47


def test_lengths_of_fd_frames() -> None:
    """Linux ``can/length.h``: fields with the 17-bit checksum, and the 21-bit one from 20 bytes."""
    assert [fd_nominal_bits(n, extended=False) for n in (0, 8, 16, 20, 64)] == [
        *(62, 126, 190, 227, 579)
    ]
    assert fd_nominal_bits(16, extended=True) == 81 + 128
    assert fd_nominal_bits(20, extended=True) == 86 + 160


def test_the_checksum_of_the_usual_check_string() -> None:
    """CRC-15/CAN of "123456789" is 0x059E (catalogue of checksum algorithms)."""
    assert _crc15("".join(_bits(byte, 8) for byte in b"123456789")) == 0x059E


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
    assert _total(can_id, bytes.fromhex(data), extended=extended) == total
    assert _ours(can_id, bytes.fromhex(data), extended=extended) == total


def test_a_remote_frame_keeps_its_length_code_and_has_no_data() -> None:
    assert _total(0x123, b"", extended=False, remote=True) == 48


def test_the_stuffed_bits_of_one_frame() -> None:
    assert _stuffed(0x123, bytes.fromhex("DEADBEEF"), extended=False) == (
        "00010010001100001001101111010101101101111100111011111000111001101011"
    )


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 0x1FFF_FFFF), st.binary(max_size=8))))
def test_many_frames_at_once_agree_with_each_alone(drawn: list[tuple[bool, int, bytes]]) -> None:
    frames = [(ext, can_id if ext else can_id & 0x7FF, data) for ext, can_id, data in drawn]
    payload = b"".join(data.ljust(8, b"\0") for _, _, data in frames)
    together = stuff_bits(
        np.array([can_id for _, can_id, _ in frames], dtype=np.uint32),
        np.array([ext for ext, _, _ in frames], dtype=np.bool_),
        np.array([len(data) for _, _, data in frames], dtype=np.uint8),
        np.frombuffer(payload, dtype=np.uint8).reshape(len(frames), 8),
    )
    for count, (extended, can_id, data) in zip(together.tolist(), frames, strict=True):
        nominal = nominal_bits(len(data), extended=extended)
        assert nominal + count == _total(can_id, data, extended=extended)
        # worst case: one for the first five bits alike and one for every further four
        assert count <= ((54 if extended else 34) + 8 * len(data) - 1) // 4


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
    shape = shapes_of(np.array([int(flags)], np.uint8), np.array([length], np.uint8))
    assert SHAPE_BITS[shape].tolist() == [bits]
