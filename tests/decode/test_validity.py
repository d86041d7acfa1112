"""What is no value: reserved codes, value tables, the profile's list, impossible figures."""

from __future__ import annotations

import numpy as np
import pytest

from canassist.decode import MessageLayout, SignalLayout
from canassist.decode.signals.extract import decode_signal
from canassist.decode.signals.validity import (
    ERROR_CODE,
    NO_VALUE_LABEL,
    NO_VALUE_PROFILE,
    NOT_AVAILABLE,
    NOT_FINITE,
    OUT_OF_RANGE,
    RESERVED,
    TOO_SHORT,
    Checked,
    check_values,
    means_no_value,
)
from tests.decode.hand_frames import column, extended


def check(
    signal: SignalLayout,
    rows: list[bytes],
    *,
    key: int = 0x123,
    j1939: bool = False,
    invalid: tuple[float, ...] = (),
    is_text: bool = False,
) -> Checked:
    layout = MessageLayout(name="M", key=key, length=8, signals=(signal,), j1939=j1939)
    samples = decode_signal(column(key, rows), layout, signal)
    return check_values(samples, layout, signal, invalid=invalid, is_text=is_text)


def words(*numbers: int, size: int = 2) -> list[bytes]:
    return [number.to_bytes(size, "little") for number in numbers]


BYTE = SignalLayout(message="M", name="S", start=0, length=8)
WORD = SignalLayout(message="M", name="S", start=0, length=16, scale=1 / 256)


def test_j1939_codes_of_16_bits_are_no_value_before_scaling() -> None:
    rows = words(0, 0xFAFF, 0xFB00, 0xFDFF, 0xFE00, 0xFEFF, 0xFF00, 0xFFFF)
    found = check(WORD, rows, key=extended(0x18FEF131), j1939=True)
    assert found.value.tolist()[:2] == [0.0, 0xFAFF / 256]
    assert np.isnan(found.value[2:]).all()
    assert found.left_out == {RESERVED: 2, ERROR_CODE: 2, NOT_AVAILABLE: 2}


def test_j1939_codes_of_8_and_2_bits() -> None:
    found = check(BYTE, [bytes([n]) for n in (250, 251, 253, 254, 255)], j1939=True)
    assert found.left_out == {RESERVED: 2, ERROR_CODE: 1, NOT_AVAILABLE: 1}
    status = SignalLayout(message="M", name="S", start=0, length=2)
    found = check(status, [bytes([n]) for n in range(4)], j1939=True)
    assert found.left_out == {ERROR_CODE: 1, NOT_AVAILABLE: 1}


def test_the_codes_hold_in_known_groups_even_where_the_database_does_not_say_so() -> None:
    rows = words(0x1900, 0xFE00)
    assert check(WORD, rows, key=extended(0x18FEF100)).left_out == {ERROR_CODE: 1}
    assert check(WORD, rows, key=extended(0x18ABCD00)).left_out == {}
    assert check(WORD, rows, key=extended(0x19FEF100)).left_out == {}  # data page 1: another group
    assert check(WORD, rows, key=0x123).left_out == {}


@pytest.mark.parametrize(
    "text",
    [
        "SNA",
        "sna",
        "N/A",
        "n.a.",
        "Invalid",
        "INVALID_VALUE",
        "Signal not available (SNA)",
        "not_available",
        "Not Available 0xFF",
        "No value",
        "Ungültig",
        "ungueltig",
        "nicht verfügbar",
        "Signal ungültig",
        "Wert nicht verfuegbar",
        "Indisponible",
        "Non valide",
        "Donnée non disponible",
        "No válido",
        "non valido",
        "Error",
        "Sensor error",
        "Fehler",
        "Erreur",
        "Undefined",
        "Reserved",
    ],
)
def test_usual_spellings_mean_no_value(text: str) -> None:
    assert means_no_value(text)


@pytest.mark.parametrize(
    "text", ["Off", "On", "Normal", "Valid", "Available", "Limited", "Standstill", "Init", ""]
)
def test_ordinary_texts_are_values(text: str) -> None:
    assert not means_no_value(text)


def test_a_status_keeps_its_error_states_but_not_its_empty_ones() -> None:
    labels = {0: "Init", 4: "Error", 7: "SNA"}
    signal = SignalLayout(message="M", name="S", start=0, length=3, labels=labels)
    found = check(signal, [bytes([n]) for n in (0, 4, 7)], is_text=True)
    assert found.value.tolist()[:2] == [0.0, 4.0]
    assert found.left_out == {NO_VALUE_LABEL: 1}


def test_an_initial_code_counts_at_the_top_of_the_range_only() -> None:
    labels = {0: "Init", 0xFE: "Init", 0xFF: "SNA"}
    signal = SignalLayout(message="M", name="S", start=0, length=8, labels=labels)
    found = check(signal, [bytes([n]) for n in (0, 0xFE, 0xFF)])
    assert np.isnan(found.value).tolist() == [False, True, True]


def test_labels_of_signed_signals_are_met_by_their_negative_number() -> None:
    signal = SignalLayout(
        message="M", name="S", start=0, length=8, signed=True, labels={-128: "Invalid", 300: "SNA"}
    )
    found = check(signal, [b"\x80", b"\x7f"])
    assert np.isnan(found.value).tolist() == [True, False]


def test_the_profiles_list_is_in_the_databases_unit() -> None:
    signal = SignalLayout(message="M", name="S", start=0, length=8, scale=0.05, offset=6.0)
    found = check(signal, [b"\xff", b"\xfe"], invalid=(18.75,))
    assert np.isnan(found.value).tolist() == [True, False]
    assert found.left_out == {NO_VALUE_PROFILE: 1}


def test_the_databases_range_is_kept_with_half_a_step_of_grace() -> None:
    signal = SignalLayout(
        message="M", name="S", start=0, length=16, scale=1 / 256, minimum=0.0, maximum=250.996
    )
    found = check(signal, words(0xFAFF, 0xFB01))
    assert np.isnan(found.value).tolist() == [False, True]
    assert found.left_out == {OUT_OF_RANGE: 1}


@pytest.mark.parametrize("ends", [(None, None), (0.0, 0.0), (10.0, 5.0), (0.0, None)])
def test_a_range_without_width_is_no_range(ends: tuple[float | None, float | None]) -> None:
    signal = SignalLayout(
        message="M", name="S", start=0, length=8, minimum=ends[0], maximum=ends[1]
    )
    assert check(signal, [b"\x00", b"\xff"]).left_out == {}


def test_floats_that_are_no_number_are_counted() -> None:
    signal = SignalLayout(message="M", name="S", start=0, length=32, is_float=True)
    rows = [np.float32(value).tobytes() for value in (1.5, np.nan, np.inf)]
    found = check(signal, rows)
    assert found.value[0] == 1.5
    assert found.left_out == {NOT_FINITE: 2}


def test_each_sample_is_counted_under_one_reason() -> None:
    signal = SignalLayout(
        message="M", name="S", start=0, length=8, maximum=100.0, minimum=0.0, labels={255: "SNA"}
    )
    found = check(signal, [b"\xff", b"", b"\xc8"], invalid=(255.0,))
    assert found.left_out == {NO_VALUE_LABEL: 1, TOO_SHORT: 1, OUT_OF_RANGE: 1}
