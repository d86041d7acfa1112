"""Checksums against a published catalogue; counters and failures planted by hand."""

from __future__ import annotations

import crccheck
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canassist.decode import MessageLayout, SignalLayout
from canassist.decode.plan import IntegrityPlan
from canassist.decode.signals.checksums import crc8_j1850, sum8, xor8
from canassist.decode.signals.integrity import CheckedMessage, check_integrity
from tests.decode.hand_frames import column

COUNTER = SignalLayout(message="M", name="Count", start=48, length=4)
CHECKSUM = SignalLayout(message="M", name="Check", start=56, length=8)
LAYOUT = MessageLayout(name="M", key=1, length=8, signals=(COUNTER, CHECKSUM))


def rows_of(data: bytes) -> np.ndarray:
    return np.frombuffer(data, dtype=np.uint8)[np.newaxis, :]


@pytest.mark.parametrize(
    ("data", "value"),
    [
        ("313233343536373839", 0x4B),
        ("00000000", 0x59),
        ("F20183", 0x37),
        ("0FAA0055", 0x79),
        ("00FF5511", 0xB8),
        ("332255AABBCCDDEEFF", 0xCB),
        ("926B55", 0x8C),
        ("FFFFFFFF", 0x74),
    ],
)
def test_the_crc_gives_the_catalogues_check_values(data: str, value: int) -> None:
    """CRC-8 SAE J1850: a catalogue's figure for "123456789"; the byte strings by a bit loop."""
    assert crc8_j1850(rows_of(bytes.fromhex(data))).tolist() == [value]


@given(data=st.binary(min_size=1, max_size=64))
def test_the_crc_agrees_with_a_library_on_any_bytes(data: bytes) -> None:
    assert crc8_j1850(rows_of(data)).tolist() == [crccheck.crc.Crc8SaeJ1850.calc(data)]
    bare = crccheck.crc.Crc(8, 0x1D, initvalue=0, xor_output=0).process(data).final()
    assert crc8_j1850(rows_of(data), start=0, final_xor=0).tolist() == [bare]


@given(data=st.binary(min_size=1, max_size=64))
def test_sum_and_exclusive_or_are_what_their_names_say(data: bytes) -> None:
    parity = 0
    for byte in data:
        parity ^= byte
    assert xor8(rows_of(data)).tolist() == [parity]
    assert sum8(rows_of(data)).tolist() == [sum(data) % 256]


def checksum_of(method: str, data: bytes, identifier: int = 0x1234) -> int:
    """Work a checksum out one byte at a time."""
    if method == "xor8":
        return int(np.bitwise_xor.reduce(np.frombuffer(data, dtype=np.uint8)))
    if method == "sum8":
        return sum(data) % 256
    if method == "crc8-j1850":
        return int(crccheck.crc.Crc8SaeJ1850.calc(data))
    whole = identifier.to_bytes(2, "little") + data
    return int(crccheck.crc.Crc(8, 0x1D, initvalue=0, xor_output=0).process(whole).final())


def good_rows(method: str, counts: list[int]) -> list[bytes]:
    dice = np.random.default_rng(3)
    rows = []
    for count in counts:
        data = dice.integers(0, 256, 6, dtype=np.uint8).tobytes() + bytes([count])
        rows.append(data + bytes([checksum_of(method, data)]))
    return rows


def check(rows: list[bytes], method: str = "crc8-j1850") -> CheckedMessage:
    plan = IntegrityPlan(message=LAYOUT, counter=COUNTER, checksum=CHECKSUM, method=method)
    return check_integrity(column(1, rows), plan)


METHODS = ("crc8-j1850", "e2e-p01", "xor8", "sum8")


@pytest.mark.parametrize("method", METHODS)
def test_clean_frames_have_nothing_to_report(method: str) -> None:
    turn = 15 if method == "e2e-p01" else 16
    found = check(good_rows(method, [n % turn for n in range(200)]), method)
    assert found.problems == ()
    one = found.integrity
    assert (one.frames, one.repeats, one.skips, one.checksum_failures) == (200, 0, 0, 0)


@pytest.mark.parametrize("method", METHODS)
def test_planted_damage_is_counted_with_its_times(method: str) -> None:
    turn = 15 if method == "e2e-p01" else 16
    counts = [n % turn for n in range(200)]
    rows = good_rows(method, counts)
    for number in (20, 77):
        rows[number] = bytes([rows[number][0] ^ 0x10]) + rows[number][1:]
    del rows[150:153]  # three frames lost
    rows.insert(100, rows[100])  # one frame sent twice
    one = check(rows, method).integrity
    assert one.checksum_failures == 2
    assert one.failed_s == pytest.approx((0.20, 0.77))
    assert (one.repeats, one.skips) == (1, 1)
    assert one.skipped_s == pytest.approx((1.50,))


def test_a_counter_that_turns_over_early_is_learned() -> None:
    found = check(good_rows("sum8", [1 + n % 14 for n in range(200)]), "sum8").integrity
    assert (found.repeats, found.skips) == (0, 0)


def test_an_identifier_that_takes_turns_is_learned_for_even_and_odd_counts() -> None:
    rows = []
    for row in good_rows("sum8", [n % 15 for n in range(200)]):
        data, half = row[:7], 0x12 if row[6] % 2 else 0x34
        crc = crccheck.crc.Crc(8, 0x1D, initvalue=0, xor_output=0)
        rows.append(data + bytes([crc.process(bytes([half]) + data).final()]))
    found = check(rows, "e2e-p01")
    assert found.integrity.checksum_failures == 0
    assert found.problems == ()


@pytest.mark.parametrize("method", METHODS)
def test_the_wrong_method_is_a_problem_and_no_evidence(method: str) -> None:
    dice = np.random.default_rng(4)
    rows = [dice.integers(0, 256, 8, dtype=np.uint8).tobytes() for _ in range(300)]
    found = check(rows, method)
    assert found.integrity.checksum_failures == 0
    assert found.integrity.skips == 0
    assert len(found.problems) == 2
    assert method in found.problems[0].what


def test_frames_too_short_for_the_fields_are_not_judged() -> None:
    rows = good_rows("xor8", [n % 16 for n in range(50)])
    rows[10] = rows[10][:3]
    found = check(rows, "xor8").integrity
    assert found.checksum_failures == 0
    assert found.skips == 1  # its number is missing


def test_a_counter_alone_or_a_checksum_alone_is_enough() -> None:
    rows = good_rows("xor8", [n % 16 for n in range(50)])
    frames = column(1, rows)
    for plan in (
        IntegrityPlan(message=LAYOUT, counter=COUNTER, checksum=None, method=""),
        IntegrityPlan(message=LAYOUT, counter=None, checksum=CHECKSUM, method="xor8"),
    ):
        assert check_integrity(frames, plan).problems == ()
