"""Decoding, validity and integrity at their bounds, by figures worked on paper."""

from __future__ import annotations

import crccheck
import numpy as np
import pytest

from canassist.decode import MessageLayout, SignalLayout
from canassist.decode.plan import IntegrityPlan
from canassist.decode.signals.extract import decode_signal, scale_raw
from canassist.decode.signals.integrity import CheckedMessage, check_integrity
from canassist.decode.signals.validity import (
    ERROR_CODE,
    NO_VALUE_LABEL,
    NO_VALUE_PROFILE,
    NOT_AVAILABLE,
    OUT_OF_RANGE,
    RESERVED,
    Checked,
    check_values,
    means_no_value,
)
from tests.decode.hand_frames import column, extended

COUNTER = SignalLayout(message="M", name="Count", start=8, length=4)
CHECKSUM = SignalLayout(message="M", name="Check", start=16, length=8)


def check(
    signal: SignalLayout,
    rows: list[bytes],
    *,
    key: int = 0x123,
    j1939: bool = False,
    invalid: tuple[float, ...] = (),
) -> Checked:
    layout = MessageLayout(name="M", key=key, length=8, signals=(signal,), j1939=j1939)
    samples = decode_signal(column(key, rows), layout, signal)
    return check_values(samples, layout, signal, invalid=invalid)


def little(*numbers: int, size: int) -> list[bytes]:
    return [number.to_bytes(size, "little") for number in numbers]


# -- whole numbers ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("length", "signed", "scale", "offset", "raw", "value"),
    [
        (62, False, 1, 2**62 - 1, 2**62 - 1, 2**63 - 2),
        (62, False, 1, 2**62 - 1, 513, 2**62 + 512),
        (62, False, 1, 2**62, 2**62 - 1, 2**63 - 1),
        (62, False, 3, 5, 2**62 - 1, 3 * (2**62 - 1) + 5),
        (63, True, 1, 2**62 - 1, 2**62 - 1, 2**63 - 2),
        (16, False, 1, 7, 9, 16),
        (16, False, 1, 1, 9, 10),
        (16, False, 3, 0, 9, 27),
        (16, False, -3, 5, 9, -22),
        (16, False, 2, 0.5, 9, 18.5),
        (16, False, 0.5, 1, 9, 5.5),
        (16, False, 1, 0, 65535, 65535),
    ],
)
def test_scaled_whole_numbers_are_what_python_makes_of_them(  # noqa: PLR0917 - a table
    length: int, signed: bool, scale: float, offset: float, raw: int, value: float
) -> None:
    signal = SignalLayout(
        message="M", name="S", start=0, length=length, signed=signed, scale=scale, offset=offset
    )
    given = np.array([raw], dtype=np.int64 if signed else np.uint64)
    assert scale_raw(given, signal).tolist() == [float(value)]


def test_a_nested_selector_must_itself_be_present() -> None:
    """S is there where B is 5, and B where A is 1; A lies in byte 0, B in byte 1."""
    top = SignalLayout(message="M", name="A", start=0, length=8)
    inner = SignalLayout(
        message="M", name="B", start=8, length=8, selector="A", selector_values=(1,)
    )
    signal = SignalLayout(
        message="M", name="S", start=16, length=8, selector="B", selector_values=(5, 6)
    )
    layout = MessageLayout(name="M", key=1, length=8, signals=(top, inner, signal))
    rows = [b"\x01\x05\x0a", b"\x02\x05\x0b", b"\x01\x06\x0c", b"\x01\x07\x0d", b"\x01\x05"]
    found = decode_signal(column(1, rows), layout, signal)
    assert found.value.tolist()[:2] == [10.0, 12.0]
    assert np.isnan(found.value[2])
    assert found.short.tolist() == [False, False, True]
    assert found.raw.tolist() == [10, 12, 0]


@pytest.mark.parametrize("big_endian", [False, True])
def test_a_signal_in_the_last_bytes_of_a_long_frame(big_endian: bool) -> None:
    """Nine bytes of a 64-byte frame hold 60 bits that begin and end inside a byte."""
    number, first = 0x123456789ABCDEF, 55 * 8 + 6
    bits = np.zeros(512, dtype=np.uint8)
    for place in range(60):
        top = number >> (59 - place) & 1
        if big_endian:
            bits[first + place] = top
        else:
            at = first + 59 - place
            bits[at // 8 * 8 + 7 - at % 8] = top
    start = first // 8 * 8 + 7 - first % 8 if big_endian else first
    signal = SignalLayout(message="M", name="S", start=start, length=60, big_endian=big_endian)
    layout = MessageLayout(name="M", key=1, length=64, signals=(signal,))
    found = decode_signal(column(1, [np.packbits(bits).tobytes()]), layout, signal)
    assert found.raw.tolist() == [number]


# -- what is no value ------------------------------------------------------------------------


def test_the_codes_of_32_bits_are_told_by_the_highest_byte() -> None:
    signal = SignalLayout(message="M", name="S", start=0, length=32)
    tops = (0xFA, 0xFB, 0xFC, 0xFD, 0xFE, 0xFF)
    rows = little(*(top << 24 | 0x123456 for top in tops), size=4)
    found = check(signal, rows, j1939=True)
    assert found.left_out == {RESERVED: 3, ERROR_CODE: 1, NOT_AVAILABLE: 1}
    assert found.value[0] == float(0xFA123456)


def test_two_bits_with_a_value_table_and_other_widths_have_no_codes() -> None:
    labels = {0: "off", 1: "on", 2: "fast", 3: "slow"}
    status = SignalLayout(message="M", name="S", start=0, length=2, labels=labels)
    assert check(status, [bytes([n]) for n in range(4)], j1939=True).left_out == {}
    odd = SignalLayout(message="M", name="S", start=0, length=12)
    assert check(odd, little(0xFFF, 0xFE0, size=2), j1939=True).left_out == {}
    signed = SignalLayout(message="M", name="S", start=0, length=8, signed=True)
    assert check(signed, [b"\xff", b"\xfe"], j1939=True).left_out == {}


def test_in_known_groups_the_codes_hold_for_whole_bytes_only() -> None:
    key = extended(0x18FEF100)
    aside = SignalLayout(message="M", name="S", start=4, length=8)
    assert check(aside, [b"\xf0\x0f", b"\xe0\x0f"], key=key).left_out == {}
    behind = SignalLayout(message="M", name="S", start=8, length=8)
    assert check(behind, [b"\x00\xff", b"\x00\xfe"], key=key).left_out == {
        ERROR_CODE: 1,
        NOT_AVAILABLE: 1,
    }
    status = SignalLayout(message="M", name="S", start=0, length=2)
    assert check(status, [b"\x02", b"\x03"], key=key).left_out == {}


@pytest.mark.parametrize(
    "group",
    [
        *(61441, 61442, 61443, 61444, 61445, 61449),
        *(65215, 65226, 65247, 65253, 65254, 65257, 65262, 65263),
        *(65265, 65266, 65269, 65270, 65271, 65276),
    ],
)
def test_the_codes_hold_in_the_groups_that_many_vehicles_send(group: int) -> None:
    """The parameter groups' numbers as people quote them, from memory."""
    signal = SignalLayout(message="M", name="S", start=0, length=8)
    found = check(signal, [b"\xff"], key=extended(0x18000000 | group << 8 | 0x0B))
    assert found.left_out == {NOT_AVAILABLE: 1}


def test_a_range_has_half_a_step_of_grace_at_both_ends() -> None:
    signal = SignalLayout(
        message="M", name="S", start=0, length=8, scale=2, offset=0, minimum=9.0, maximum=21.0
    )
    found = check(signal, [bytes([n]) for n in (3, 4, 11, 12)])
    assert np.isnan(found.value).tolist() == [True, False, False, True]


def test_a_float_has_a_millionth_of_its_range_as_grace() -> None:
    signal = SignalLayout(
        message="M", name="S", start=0, length=64, is_float=True, minimum=-1000.0, maximum=10.0
    )
    values = (-1000.002, -1000.0009, 10.0009, 10.0011)
    found = check(signal, [np.float64(value).tobytes() for value in values])
    assert np.isnan(found.value).tolist() == [True, False, False, True]
    assert found.left_out == {OUT_OF_RANGE: 2}


def test_the_profiles_values_are_met_within_half_a_step_and_floats_within_a_billionth() -> None:
    whole = SignalLayout(message="M", name="S", start=0, length=8, scale=-2)
    found = check(whole, [b"\x04", b"\x05", b"\x06"], invalid=(-9.0,))
    assert np.isnan(found.value).tolist() == [True, True, False]
    number = SignalLayout(message="M", name="S", start=0, length=64, is_float=True)
    values = (1e6 + 0.0009, 1e6 - 0.0009, 1e6 + 0.0011, -1e6)
    rows = [np.float64(value).tobytes() for value in values]
    found = check(number, rows, invalid=(1e6,))
    assert np.isnan(found.value).tolist() == [True, True, False, False]
    assert found.left_out == {NO_VALUE_PROFILE: 2}


def test_a_label_at_the_ends_of_the_width_counts_and_one_beyond_does_not() -> None:
    labels = {15: "SNA", 0: "invalid", 16: "SNA", -1: "SNA"}
    signal = SignalLayout(message="M", name="S", start=0, length=4, labels=labels)
    found = check(signal, [b"\x0f", b"\x00", b"\x01"])
    assert found.left_out == {NO_VALUE_LABEL: 2}
    signed = SignalLayout(
        message="M", name="S", start=0, length=4, signed=True, labels={7: "SNA", -8: "SNA", 8: "x"}
    )
    assert check(signed, [b"\x07", b"\x08", b"\x06"]).left_out == {NO_VALUE_LABEL: 2}


def test_an_initial_code_counts_among_the_two_highest_and_never_in_one_bit() -> None:
    labels = {13: "Init", 14: "Init", 15: "Init"}
    signal = SignalLayout(message="M", name="S", start=0, length=4, labels=labels)
    found = check(signal, [b"\x0d", b"\x0e", b"\x0f"])
    assert np.isnan(found.value).tolist() == [False, True, True]
    bit = SignalLayout(message="M", name="S", start=0, length=1, labels={1: "Init"})
    assert check(bit, [b"\x01"]).left_out == {}


def test_words_of_a_status_are_no_value_only_where_they_say_so_alone() -> None:
    assert means_no_value("not used", is_text=True)
    assert not means_no_value("sensor not available", is_text=True)
    assert not means_no_value("init", is_text=True, at_the_top=True)
    assert means_no_value("init", at_the_top=True)


# -- counters and checksums ------------------------------------------------------------------


def integrity(
    counts: list[int],
    *,
    bad: int = 0,
    method: str = "xor8",
    lengths: dict[int, int] | None = None,
) -> CheckedMessage:
    """Check rows of data, count and exclusive or; the first `bad` checksums are wrong."""
    rows = []
    for number, count in enumerate(counts):
        data = bytes([number % 251, count])
        row = data + bytes([data[0] ^ data[1] ^ (number < bad)])
        rows.append(row[: (lengths or {}).get(number, 3)])
    layout = MessageLayout(name="M", key=1, length=3, signals=(COUNTER, CHECKSUM))
    plan = IntegrityPlan(message=layout, counter=COUNTER, checksum=CHECKSUM, method=method)
    return check_integrity(column(1, rows), plan)


def test_half_of_all_checksums_may_fail_and_no_more() -> None:
    counts = [n % 16 for n in range(100)]
    half = integrity(counts, bad=50)
    assert (half.integrity.checksum_failures, half.problems) == (50, ())
    more = integrity(counts, bad=51)
    assert more.integrity.checksum_failures == 0
    assert more.integrity.failed_s == ()
    (problem,) = more.problems
    assert problem.what.startswith("51 of 100 checksums fail by xor8")


def test_half_of_all_counts_may_be_odd_and_no_more() -> None:
    """Each pair is repeated: 4 of 8 frames do not go on by one, then 5 of 9."""
    found = integrity([0, 0, 1, 1, 2, 2, 3, 3])
    assert (found.integrity.repeats, found.problems) == (4, ())
    found = integrity([0, 0, 1, 1, 2, 2, 3, 3, 3])
    assert (found.integrity.repeats, found.integrity.skips) == (0, 0)
    assert "does not count up by one" in found.problems[0].what


def test_repeats_and_skips_count_together() -> None:
    found = integrity([0, 0, 0, 2, 4, 6, 7, 8])
    assert (found.integrity.repeats, found.integrity.skips) == (0, 0)
    assert len(found.problems) == 1
    found = integrity([0, 0, 2, 4, 6, 7, 8, 9])
    assert (found.integrity.repeats, found.integrity.skips) == (1, 3)
    assert found.integrity.skipped_s == pytest.approx((0.01, 0.02, 0.03))


def test_an_early_turn_is_believed_after_three_rounds() -> None:
    """Counts 1 to 5: two turns leave the 16 of four bits, three do not."""
    rounds = [1, 2, 3, 4, 5]
    assert integrity(rounds * 3).integrity.skips == 2
    assert integrity(rounds * 4).integrity.skips == 0


def test_a_counter_that_stands_still_repeats() -> None:
    stuck = integrity([3] * 10)
    assert stuck.integrity.repeats == 0
    assert len(stuck.problems) == 1
    assert integrity([3]).problems == ()
    assert integrity([3, 4]).problems == ()
    assert integrity([3, 5, 6, 7]).integrity.skips == 1


def test_two_frames_show_a_step_and_no_counter_counts_nothing() -> None:
    layout = MessageLayout(name="M", key=1, length=3, signals=(COUNTER, CHECKSUM))
    rows = [bytes([0, count, count]) for count in (3, 5)]
    for counter, skips in ((COUNTER, 1), (None, 0)):
        plan = IntegrityPlan(message=layout, counter=counter, checksum=None, method="")
        found = check_integrity(column(1, rows), plan).integrity
        assert (found.repeats, found.skips) == (0, skips)


def test_a_frame_that_ends_before_the_checksum_is_not_judged() -> None:
    counts = [n % 16 for n in range(20)]
    found = integrity(counts, lengths={4: 2, 9: 1})
    assert found.integrity.checksum_failures == 0
    assert found.integrity.frames == 20
    assert found.integrity.skips == 1  # one frame of two bytes holds the count, one of one does not


def test_profile_one_turns_over_after_fourteen() -> None:
    """Two rounds are too few to learn it from the log."""
    found = integrity([n % 15 for n in range(30)], method="e2e-p01")
    assert found.integrity.skips == 0
    assert integrity([n % 15 for n in range(30)]).integrity.skips == 1


def test_profile_one_takes_one_constant_where_there_is_no_counter() -> None:
    """With one identifier for all frames the CRC differs by one constant, whatever the count."""

    def crc(data: bytes) -> int:
        whole = crccheck.crc.Crc(8, 0x1D, initvalue=0, xor_output=0).process(b"\x12" + data)
        return int(whole.final())

    data = [bytes([number * 7 % 256, number % 15]) for number in range(60)]
    rows = [part + bytes([crc(part)]) for part in data]
    rows[5] = rows[5][:2] + bytes([rows[5][2] ^ 1])
    layout = MessageLayout(name="M", key=1, length=3, signals=(CHECKSUM,))
    plan = IntegrityPlan(message=layout, counter=None, checksum=CHECKSUM, method="e2e-p01")
    found = check_integrity(column(1, rows), plan)
    assert found.problems == ()
    assert found.integrity.failed_s == pytest.approx((0.05,))
