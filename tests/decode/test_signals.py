"""Column decode against cantools, bit by bit, and against figures worked out on paper."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from cantools.database.can import Database
from hypothesis import given
from hypothesis import strategies as st

from canassist.decode import MessageLayout, SignalLayout, load_databases
from canassist.decode.signals.extract import decode_signal, read_raw
from tests.decode.hand_frames import column
from tests.decode.random_signals import (
    FLOATS,
    OFFSETS,
    SCALES,
    SIZES,
    Pair,
    dice_of,
    make_pair,
    payloads,
    plain,
    random_pair,
    same_bits,
)

if TYPE_CHECKING:
    from pathlib import Path

SWEEP_SIGNALS, SWEEP_PAYLOADS, SEED = 2000, 500, 20240229


@st.composite
def pairs(draw: st.DrawFn) -> Pair:
    size = draw(st.sampled_from(SIZES))
    is_float = draw(st.booleans())
    length = draw(st.sampled_from(FLOATS) if is_float else st.integers(1, 64))
    first = draw(st.integers(0, size * 8 - length))
    big_endian = draw(st.booleans())
    return make_pair(
        size=size,
        start=first // 8 * 8 + 7 - first % 8 if big_endian else first,
        length=length,
        big_endian=big_endian,
        signed=draw(st.booleans()),
        is_float=is_float,
        scale=draw(st.sampled_from(SCALES)),
        offset=draw(st.sampled_from(OFFSETS)),
    )


def check_pair(pair: Pair, data: list[bytes]) -> None:
    ours, theirs = pair.our_values(data), pair.their_values(data)
    if pair.is_exact:
        assert same_bits(ours, theirs), pair.signal
    else:  # 64 bits overflow: float arithmetic instead of Python's unbounded integers
        np.testing.assert_allclose(
            ours, theirs, rtol=3 * np.finfo(float).eps, err_msg=str(pair.signal)
        )


@given(pair=pairs(), seed=st.integers(0, 2**32))
def test_any_signal_decodes_as_cantools_does(pair: Pair, seed: int) -> None:
    check_pair(pair, payloads(dice_of(seed), pair.ours.length, 8))


def sweep(count: int) -> int:
    dice = dice_of(SEED)
    inexact = 0
    for _ in range(count):
        pair = random_pair(dice)
        check_pair(pair, payloads(dice, pair.ours.length, SWEEP_PAYLOADS))
        inexact += not pair.is_exact
    return inexact


def test_a_tenth_of_the_sweep_is_bit_equal() -> None:
    count = SWEEP_SIGNALS // 10
    assert sweep(count) < count // 10  # nearly all are compared bit by bit


@pytest.mark.slow
def test_the_whole_sweep_is_bit_equal() -> None:
    assert sweep(SWEEP_SIGNALS) < SWEEP_SIGNALS // 10


MULTIPLEXED = """VERSION ""
BU_: A
BO_ 100 Mixed: 8 A
 SG_ Page M : 0|4@1+ (1,0) [0|15] "" A
 SG_ Under m2M : 4|4@1+ (1,0) [0|15] "" A
 SG_ One m0 : 8|16@1- (0.1,0) [0|0] "" A
 SG_ Many m1 : 15|12@0+ (0.5,-3) [0|0] "" A
 SG_ Deep m3 : 24|32@1- (1,0) [0|0] "" A
 SG_ Always : 56|8@1+ (1,0) [0|0] "" A
SG_MUL_VAL_ 100 Under Page 2-2;
SG_MUL_VAL_ 100 One Page 0-0;
SG_MUL_VAL_ 100 Many Page 1-1, 5-7;
SG_MUL_VAL_ 100 Deep Under 3-3, 9-9;
SIG_VALTYPE_ 100 Deep : 1;
"""


@pytest.fixture
def multiplexed(tmp_path: Path) -> MessageLayout:
    path = tmp_path / "mixed.dbc"
    path.write_text(MULTIPLEXED)
    return load_databases([path]).messages[0]


@pytest.mark.parametrize("seed", range(3))
def test_multiplexed_signals_are_there_only_where_cantools_finds_them(
    multiplexed: MessageLayout, seed: int
) -> None:
    database = Database()
    database.add_dbc_string(MULTIPLEXED)
    theirs = database.messages[0]
    dice = dice_of(seed)
    known = [page | under << 4 for page in (0, 1, 5, 6, 7) for under in range(16)]
    known += [2 | under << 4 for under in (3, 9)]
    data = [bytes([dice.choice(known)]) + dice.randbytes(7) for _ in range(2000)]
    frames = column(100, data)
    decoded = [plain(theirs, row) for row in data]
    for signal in multiplexed.signals:
        rows = [number for number, values in enumerate(decoded) if signal.name in values]
        ours = decode_signal(frames, multiplexed, signal)
        assert ours.time_s.tolist() == frames.time_s[rows].tolist()
        assert same_bits(ours.value, np.array([decoded[row][signal.name] for row in rows]))
        assert len(rows) > 0


def test_a_selector_value_that_no_signal_knows_leaves_only_the_rest(
    multiplexed: MessageLayout,
) -> None:
    frames = column(100, [b"\x0f" + bytes(7), b"\x42" + bytes(7)])  # page 15; page 2, under 4
    present = {
        signal.name: len(decode_signal(frames, multiplexed, signal).value)
        for signal in multiplexed.signals
    }
    assert present == {"Page": 2, "Under": 1, "One": 0, "Many": 0, "Deep": 0, "Always": 2}


def test_a_motorola_value_worked_on_paper() -> None:
    """`7|12@0-` scale 0.01 over F3 80 is raw F38 = -200 = -2.00; `23|16@0+` over 12 34 is 4660."""
    torque = SignalLayout(
        message="M", name="T", start=7, length=12, big_endian=True, signed=True, scale=0.01
    )
    count = SignalLayout(message="M", name="C", start=23, length=16, big_endian=True)
    layout = MessageLayout(name="M", key=1, length=8, signals=(torque, count))
    frames = column(1, [bytes.fromhex("F380123400000000")])
    assert decode_signal(frames, layout, torque).value.tolist() == [-2.0]
    assert decode_signal(frames, layout, count).value.tolist() == [4660.0]


@pytest.mark.parametrize(("big_endian", "start"), [(False, 12), (True, 11)])
def test_a_frame_shorter_than_its_signal_gives_no_value(big_endian: bool, start: int) -> None:
    signal = SignalLayout(message="M", name="S", start=start, length=8, big_endian=big_endian)
    layout = MessageLayout(name="M", key=1, length=8, signals=(signal,))
    samples = decode_signal(column(1, [bytes(3), bytes(2), b""]), layout, signal)
    assert np.isnan(samples.value).tolist() == [False, True, True]
    assert samples.short.tolist() == [False, True, True]


def test_a_signal_beyond_every_payload_gives_no_value() -> None:
    signal = SignalLayout(message="M", name="S", start=200, length=40)
    layout = MessageLayout(name="M", key=1, length=64, signals=(signal,))
    assert np.isnan(decode_signal(column(1, [bytes(8)] * 3), layout, signal).value).all()


def test_a_selector_that_is_cut_off_leaves_nothing_present() -> None:
    page = SignalLayout(message="M", name="P", start=56, length=8)
    inner = SignalLayout(
        message="M", name="S", start=0, length=8, selector="P", selector_values=(0,)
    )
    layout = MessageLayout(name="M", key=1, length=8, signals=(page, inner))
    assert len(decode_signal(column(1, [bytes(4)] * 3), layout, inner).value) == 0


def test_whole_numbers_stay_exact_up_to_53_bits() -> None:
    signal = SignalLayout(message="M", name="S", start=0, length=53, scale=1, offset=-1)
    layout = MessageLayout(name="M", key=1, length=8, signals=(signal,))
    frames = column(1, [(2**53 - 1).to_bytes(8, "little")])
    assert decode_signal(frames, layout, signal).value.tolist() == [2**53 - 2]


def test_raw_values_keep_their_sign_and_width() -> None:
    frames = column(1, [b"\xff" * 8])
    signed = SignalLayout(message="M", name="S", start=0, length=64, signed=True)
    unsigned = SignalLayout(message="M", name="S", start=0, length=64)
    assert read_raw(frames.payload, signed).tolist() == [-1]
    assert read_raw(frames.payload, unsigned).tolist() == [2**64 - 1]
