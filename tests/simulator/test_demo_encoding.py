"""Messages and their encoding against published vectors and cantools."""

from __future__ import annotations

import cantools.database
import numpy as np
import pytest
from cantools.database.can import Database
from hypothesis import given
from hypothesis import strategies as st

from canassist.demo import TRAIL
from canassist.demo.bus.encode import counter_values, crc8_j1850, encode, to_physical, to_raw
from canassist.demo.bus.frame_table import FrameTable, bus_load
from canassist.demo.bus.message_layout import MessageLayouts, MessageSpec, SignalSpec, dbc_text
from tests.simulator.second_layout import RIDGE

LAYOUTS = {layout.name: layout for layout in (TRAIL, RIDGE)}


def _database(layout: MessageLayouts) -> Database:
    database = cantools.database.load_string(dbc_text(layout, "invented"), "dbc")
    assert isinstance(database, Database)
    return database


@pytest.mark.parametrize(
    ("data", "crc"),
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
def test_checksum_of_published_strings(data: str, crc: int) -> None:
    """CRC-8 SAE J1850: check value 4B, and the strings of the AUTOSAR CRC text."""
    row = np.frombuffer(bytes.fromhex(data), dtype=np.uint8)[None, :]
    assert crc8_j1850(row).tolist() == [crc]


@pytest.mark.parametrize(
    ("spec", "value", "data"),
    [
        (
            SignalSpec(name="A", start=7, length=12, big_endian=True, signed=True, scale=0.01),
            -2.0,
            "F380000000000000",
        ),
        (SignalSpec(name="B", start=23, length=16, big_endian=True), 4660.0, "0000123400000000"),
    ],
)
def test_big_endian_layout_as_worked_in_the_reference(
    spec: SignalSpec, value: float, data: str
) -> None:
    """Reference sheet, Motorola check: ``7|12@0-`` and ``23|16@0+``."""
    message = MessageSpec(name="M", can_id=1, length=8, sender="N", period_s=1.0, signals=(spec,))
    raw = to_raw(np.array([value]), spec)
    assert encode(message, {spec.name: raw}, 1).tobytes().hex().upper() == data


@pytest.mark.parametrize("name", LAYOUTS)
@given(seed=st.integers(0, 2**32 - 1))
def test_payloads_decode_by_cantools_to_what_was_encoded(name: str, seed: int) -> None:
    layout = LAYOUTS[name]
    database = _database(layout)
    random = np.random.default_rng(seed)
    for message in layout.messages:
        raw = {}
        for spec in message.signals:
            low, high = spec.raw_range
            top = 2 if spec.selector else high
            raw[spec.name] = random.integers(low, top, 4, endpoint=True)
        for row, payload in enumerate(encode(message, raw, 4)):
            decoded = database.decode_message(
                message.key, payload[: message.length].tobytes(), decode_choices=False
            )
            assert isinstance(decoded, dict)
            for spec in message.signals:
                if spec.name in decoded and spec.name != message.checksum:
                    expected = raw[spec.name][row] * spec.scale + spec.offset
                    assert decoded[spec.name] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("name", LAYOUTS)
def test_signals_of_a_message_do_not_overlap(name: str) -> None:
    """Cantools refuses overlapping signals when strict, which it is by default."""
    database = _database(LAYOUTS[name])
    assert len(database.messages) == len(LAYOUTS[name].messages)


def test_no_value_is_sent_as_its_code_and_read_as_nothing() -> None:
    _, spec = TRAIL.carrier("vehicle_speed") or pytest.fail("road speed is not in the layout")
    raw = to_raw(np.array([12.34, np.nan, 1e9, -5.0]), spec)
    assert raw.tolist() == [1234, 0xFFFF, 0xFFFE, 0]
    assert np.isnan(to_physical(raw, spec)).tolist() == [False, True, False, False]


def test_a_signal_without_a_code_refuses_nothing_as_a_value() -> None:
    with pytest.raises(ValueError, match="no code"):
        to_raw(np.array([np.nan]), SignalSpec(name="Plain", start=0, length=8))


def test_counter_goes_round() -> None:
    assert counter_values(18).tolist() == [*range(16), 0, 1]


def test_bus_load_of_the_worked_example() -> None:
    """Reference sheet: 100/s of eight bytes and 100/s of none at 500 kbit/s, nominal: 3.16 %."""
    count = 20_001
    table = FrameTable(
        time_us=np.arange(count) * 5_000,
        bus=np.zeros(count, dtype=np.uint8),
        can_id=np.zeros(count, dtype=np.uint32),
        extended=np.zeros(count, dtype=np.bool_),
        error=np.zeros(count, dtype=np.bool_),
        length=np.where(np.arange(count) % 2, 0, 8).astype(np.uint8),
        payload=np.zeros((count, 8), dtype=np.uint8),
    )
    assert bus_load(table, 500_000) == pytest.approx(0.0316, abs=5e-6)
