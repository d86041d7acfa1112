"""Layouts out of the ordinary: two signals a quantity, amounts, offsets, either byte order, CAN FD.

A small vehicle of ten signals in four languages, laid out in forty ways. What a signal carries
is known, so a channel that holds one side only, or the wrong quantity, shows.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pytest

from canassist.decode import decode_ride, load_databases, plan_reading
from canassist.model import FloatArray, FrameSource, MessageFrames
from canassist.profile import default_profile
from tests.decode.hand_frames import stats_of
from tests.decode.invented_ride import LENGTH_S, STEP_S, put_bits, ride
from tests.decode.lies import SIGNED, reads_true

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from canassist.model import Channel

QUANTITIES: Final = {
    "vehicle_speed": ("km/h", 0.01, 0.0),
    "engine_speed": ("rpm", 0.25, 0.0),
    "supply_voltage": ("V", 0.01, 0.0),
    "module_temperature": ("degC", 0.5, -60.0),
    "assist_limit": ("%", 0.5, 0.0),
    "assist_torque": ("Nm", 0.05, -100.0),
    "motor_current": ("A", 0.1, -200.0),
    "module_current": ("A", 0.05, 0.0),
    "driver_torque": ("Nm", 0.01, -30.0),
    "steering_angle": ("deg", 0.1, -900.0),
}
WORDS: Final = {
    "english": "RoadSpeed EngineSpeed EpsSupplyVolt EpsTemp AssistAvail AssistTorque "
    "EpsMotorCurrent EpsSupplyCurrent DriverTorque SteeringAngle Left Right Sign",
    "german": "Fahrgeschwindigkeit Motordrehzahl LenkungSpannung LenkungTemperatur "
    "LenkunterstuetzungVerfuegbar UnterstuetzungsMoment LenkmotorStrom LenkungStromaufnahme "
    "FahrerMoment Lenkwinkel Links Rechts Vz",
    "finnish": "AjonNopeus MoottoriNopeus OhjausJannite OhjausLampo TehostusRaja "
    "TehostusMomentti TehostusVirta OhjausVirta KuljettajaMomentti OhjausKulma Vasen Oikea Merkki",
    "numbers": "A1 A2 A3 A4 A5 A6 A7 A8 A9 B1 x y z",
}
STYLES: Final = ("two_sides", "sign_beside", "amount", "signed", "offset")
SIDES: Final = ("driver_torque", "assist_torque", "steering_angle")


class Way(NamedTuple):
    """One way to lay the vehicle out."""

    language: str
    style: str
    big: bool


Part = tuple[str, "Callable[[FloatArray], FloatArray]"]
WAYS: Final = [Way(*one) for one in itertools.product(WORDS, STYLES, (False, True))]


def layout(way: Way) -> tuple[str, dict[str, Part]]:
    """Return the database, and what each signal carries of which quantity."""
    *words, left, right, sign = WORDS[way.language].split()
    lines, carries = ['VERSION ""', "BU_: EPS ECU"], {}
    for place, (quantity, (unit, factor, moved)) in enumerate(QUANTITIES.items()):
        name, signed = words[place], quantity in SIGNED
        offset = 0.0 if signed and way.style != "offset" else moved
        lines.append(f"BO_ {300 + 7 * place} M{place}: {24 if way.big else 8} EPS")
        parts: list[tuple[str, int, int, str, Part]] = []
        if way.style == "two_sides" and quantity in SIDES:
            parts.append((name + left, 0, 16, "+", (quantity, lambda v: np.maximum(-v, 0.0))))
            parts.append((name + right, 16, 16, "+", (quantity, lambda v: np.maximum(v, 0.0))))
        elif way.style in {"sign_beside", "amount"} and signed:
            parts.append((name, 0, 16, "+", (quantity, np.abs)))
            if way.style == "sign_beside":
                parts.append((name + sign, 16, 1, "+", (quantity, lambda v: np.less(v, 0) * 1.0)))
        else:
            kind = "-" if signed and not offset else "+"
            parts.append((name, 0, 16, kind, (quantity, lambda v: v)))
        for own, start, bits, kind, part in parts:
            first = start + 7 if way.big else start
            scale = f"({factor},{offset})" if bits > 1 else "(1,0)"
            text = unit if bits > 1 else ""
            order = 0 if way.big else 1
            lines.append(f' SG_ {own} : {first}|{bits}@{order}{kind} {scale} [0|0] "{text}" ECU')
            carries[own] = part
    return "\n".join(lines) + "\n", carries


def wrong_channels(way: Way, folder: Path) -> list[str]:
    """Return the channels that are wrong and say nothing of it."""
    text, carries = layout(way)
    path = folder / "odd.dbc"
    path.write_text(text, encoding="utf-8")
    databases, truth, frames = load_databases([path]), ride(2), {}
    time_s = np.arange(0.001, LENGTH_S - 0.02, 0.02)
    rows = (time_s / STEP_S).astype(np.int64)
    for message in databases.messages:
        bits = np.zeros((len(time_s), message.length * 8), dtype=np.uint8)
        for signal in message.signals:
            quantity, part = carries[signal.name]
            put_bits(bits, signal, part(truth[quantity])[rows])
        packed = np.packbits(bits, axis=1)
        source = FrameSource(0, message.key)
        frames[source] = MessageFrames(
            source=source,
            time_s=time_s,
            payload=np.pad(packed, ((0, 0), (0, 64 - packed.shape[1]))) if way.big else packed,
            length=np.full(len(time_s), message.length, dtype=np.uint8),
        )
    profile = default_profile()
    plan = plan_reading(databases, profile)
    found = decode_ride(frames, plan, profile, stats_of(frames, ("can0",)))
    believed = {
        name: one
        for name, one in found.channels.items()
        if not (one.doubt or one.held_out or not one.unit_known or one.stands_in)
    }
    return [
        name
        for name, one in believed.items()
        if carries[one.signal.partition(".")[2]][0] != name or not _is_true(one)
    ]


def _is_true(one: Channel) -> bool:
    expected = np.interp(one.time_s, ride(2)["time"], ride(2)[one.name])
    if not reads_true(np.abs(one.value), np.abs(expected)):
        return False
    large = np.abs(expected) >= np.percentile(np.abs(expected), 70)
    if np.mean(np.abs(one.value[large]) < 1e-9) > 0.2:  # one side of two
        return False
    checked = one.name in SIGNED and one.sign_known and "sign" not in one.not_checked
    return not checked or np.corrcoef(one.value, expected)[0, 1] > 0.0


@pytest.mark.parametrize(
    "way", [Way("english", "two_sides", big=False), Way("german", "sign_beside", big=True)]
)
def test_an_odd_layout_misleads_nobody(way: Way, tmp_path: Path) -> None:
    assert wrong_channels(way, tmp_path) == []


@pytest.mark.slow
@pytest.mark.parametrize("way", WAYS)
def test_no_odd_layout_misleads_anybody(way: Way, tmp_path: Path) -> None:
    assert wrong_channels(way, tmp_path) == []
