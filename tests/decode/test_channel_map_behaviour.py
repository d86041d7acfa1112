"""What the values of a log say: worked by hand on small made-up signals."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal as scipy_signal

from canassist.decode.candidates import Candidate, ChannelChoice, MeasuredCandidate
from canassist.decode.database.layouts import Databases, MessageLayout, SignalLayout
from canassist.decode.matching import choose
from canassist.decode.matching.database_ranking import rank_static
from canassist.decode.matching.direction import positive_side
from canassist.decode.matching.value_shape import likeness, on_grid, shape_of
from canassist.model import EXTENDED_KEY, Channel, FrameSource
from canassist.profile import default_profile
from tests.decode.hand_frames import stats_of
from tests.decode.invented_ride import database

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canassist.model import FloatArray

SECONDS = np.arange(0.0, 60.0, 0.02)
SOURCE = FrameSource(0, 0x100)


class Bench:
    """A database of one message a signal, and the values that each carries."""

    def __init__(self) -> None:
        self.messages: list[MessageLayout] = []
        self.values: dict[str, FloatArray] = {}

    def put(
        self,
        place: str,
        unit: str,
        value: FloatArray,
        **layout: Any,  # noqa: ANN401 - the fields of SignalLayout
    ) -> Bench:
        """Add ``message/sender/signal`` with its values in the database's unit."""
        message, sender, name = place.split("/")
        fields = {"length": 16, "scale": 0.01, "signed": False} | layout
        one = SignalLayout(message=message, name=name, start=0, unit=unit, **fields)
        key = 0x100 + len(self.messages)
        self.messages.append(
            MessageLayout(name=message, key=key, length=8, signals=(one,), sender=sender)
        )
        self.values[one.full_name] = np.broadcast_to(value, SECONDS.shape).astype(np.float64)
        return self

    def choose(
        self,
        *,
        decided: Mapping[str, Channel] | None = None,
        reference: Mapping[str, Channel] | None = None,
    ) -> Mapping[str, ChannelChoice]:
        """Rank and choose as decoding does."""
        settled = decided or {}
        ranked = rank_static(Databases(messages=tuple(self.messages)), skip=frozenset(settled))
        measured = {
            channel: [self._measure(one) for one in ones] for channel, ones in ranked.items()
        }
        return choose(
            measured,
            stats_of({}),
            decided=settled,
            reference=reference or {},
            profile=default_profile(),
        )

    def _measure(self, one: Candidate) -> MeasuredCandidate:
        scale, offset = one.conversion
        return MeasuredCandidate(
            candidate=one,
            source=FrameSource(0, one.message.key),
            time_s=SECONDS,
            value=self.values[one.name] * scale + offset,
        )


def channel_of(name: str, unit: str, value: FloatArray, signal: str = "A.B") -> Channel:
    return Channel(name=name, unit=unit, time_s=SECONDS, value=value, signal=signal, source=SOURCE)


def taken(choice: ChannelChoice) -> str:
    return choice.chosen.candidate.name if choice.chosen else ""


def wave(period_s: float, height: float, phase: float = 0.0) -> FloatArray:
    return np.asarray(height * np.sin(2.0 * np.pi * (SECONDS / period_s + phase)))


RIDING = np.clip(np.interp(SECONDS, [0, 10, 25, 45, 55, 60], [0, 0, 40, 45, 0, 0]), 0.0, None)
EFFORT = wave(7.0, 4.0) + wave(2.3, 1.0)
ASSIST = 3.0 * EFFORT


# --- one signal by itself ---------------------------------------------------------------------


def test_a_counter_and_a_checksum_are_no_measurement() -> None:
    counter = np.arange(len(SECONDS)) % 256.0
    noise = np.random.default_rng(3).integers(0, 4096, len(SECONDS)).astype(np.float64)
    bench = Bench().put("A/EPS/SupplyVoltage", "V", counter)
    bench.put("B/EPS/EcuTemperature", "degC", noise)
    found = bench.choose()
    assert "counter" in found["supply_voltage"].ranking[0].reasons[0]
    assert "checksum" in found["module_temperature"].ranking[0].reasons[0]
    assert found["supply_voltage"].chosen is None
    assert found["module_temperature"].chosen is None


def test_what_never_carries_a_value_serves_nothing() -> None:
    found = Bench().put("A/EPS/SupplyVoltage", "V", np.array(np.nan)).choose()["supply_voltage"]
    assert found.chosen is None
    assert "never carries" in found.ranking[0].reasons[0]


def test_a_spare_field_that_rests_at_the_end_of_its_range_is_unused() -> None:
    """Raw 0 of a field with offset -8 reads -8 N·m all the time."""
    bench = Bench().put(
        "A/EPS/DriverTorque", "Nm", np.array(-8.0), length=8, scale=0.0625, offset=-8.0
    )
    bench.put("B/EPS/ColumnTorque", "Nm", EFFORT, length=8, scale=0.0625, offset=-8.0)
    found = bench.choose()["driver_torque"]
    assert taken(found) == "B.ColumnTorque"
    assert found.runner_up is not None
    assert "unused" in found.runner_up.why


@pytest.mark.parametrize("volts", [5.0, 380.0])
def test_a_sensors_feed_and_a_traction_battery_are_no_supply(volts: float) -> None:
    value = volts + wave(20.0, 0.02)
    found = Bench().put("A/EPS/SupplyVoltage", "V", value).choose()["supply_voltage"]
    assert found.chosen is None


@pytest.mark.parametrize("nominal", [12.6, 25.2, 50.4])
def test_every_usual_supply_is_known(nominal: float) -> None:
    value = nominal + wave(20.0, 0.2)
    found = Bench().put("A/EPS/SupplyVoltage", "V", value).choose()["supply_voltage"]
    assert taken(found) == "A.SupplyVoltage"
    assert not found.doubt


def test_a_voltage_without_a_unit_is_found_by_its_size_but_asked_about() -> None:
    value = 12600.0 + wave(20.0, 200.0)
    found = Bench().put("A/BODY/BatteryVoltage", "", value, scale=1).choose()["system_voltage"]
    assert found.scale == 0.001
    assert "no unit" in found.doubt


def test_a_set_speed_that_never_moves_is_no_road_speed() -> None:
    found = Bench().put("A/ABS/VehicleSpeed", "km/h", np.array(25.5)).choose()["vehicle_speed"]
    assert found.chosen is None
    assert "set value" in found.ranking[0].reasons[0]


def test_torque_without_a_unit_is_left_out_with_the_question_how_much_a_count_is() -> None:
    found = Bench().put("A/EPS/DriverTorque", "", 90.0 * EFFORT, scale=1, signed=True).choose()
    assert found["driver_torque"].chosen is None
    assert "how many N·m" in found["driver_torque"].doubt


def test_a_torque_of_the_motor_is_asked_about_its_shaft() -> None:
    bench = Bench().put("A/EPS/DriverTorque", "Nm", EFFORT, scale=0.01, offset=-300.0)
    bench.put("B/EPS/MotorTorque", "Nm", 0.1 * ASSIST, scale=0.01, offset=-300.0)
    found = bench.choose()["assist_torque"]
    assert found.chosen is None
    assert "shaft" in found.doubt


# --- signals beside each other ----------------------------------------------------------------


def with_wheels(bench: Bench) -> Bench:
    for corner in ("FL", "FR", "RL", "RR"):
        bench.put(f"W{corner}/ABS/WheelSpeed{corner}", "km/h", RIDING)
    return bench


@pytest.mark.parametrize(("factor", "scale"), [(1.609344, 1.609344), (3.6, 3.6), (1.0, 1.0)])
def test_wheels_give_away_the_unit_of_a_silent_road_speed(factor: float, scale: float) -> None:
    bench = with_wheels(Bench()).put("A/ABS/VehicleSpeed", "", RIDING / factor)
    found = bench.choose()["vehicle_speed"]
    assert taken(found) == "A.VehicleSpeed"
    assert found.scale == pytest.approx(scale)
    assert not found.doubt


def test_a_unit_that_the_wheels_contradict_is_asked_about() -> None:
    bench = with_wheels(Bench()).put("A/ABS/VehicleSpeed", "km/h", RIDING / 1.609344)
    found = bench.choose()["vehicle_speed"]
    assert found.scale == 1.0
    assert "miles" in found.doubt


def test_a_road_speed_that_rests_while_the_wheels_turn_is_kept_with_a_question() -> None:
    found = with_wheels(Bench()).put("A/ABS/VehicleSpeed", "km/h", 0.0 * RIDING).choose()
    assert taken(found["vehicle_speed"]) == "A.VehicleSpeed"
    assert "unused, or a fault" in found["vehicle_speed"].doubt


def test_two_copies_that_read_the_same_need_no_question() -> None:
    bench = Bench().put("A/ABS/VehicleSpeed", "km/h", RIDING)
    bench.put("B/TCU/VehicleSpeed", "km/h", RIDING)
    found = bench.choose()["vehicle_speed"]
    assert not found.doubt
    assert found.runner_up is not None
    assert found.runner_up.why == "reads the same"


def test_two_equals_that_differ_are_asked_about() -> None:
    bench = Bench().put("A/EPS/SupplyVoltage1", "V", 13.0 + wave(9.0, 0.3))
    bench.put("B/EPS/SupplyVoltage2", "V", 14.0 + wave(11.0, 0.3))
    found = bench.choose()["supply_voltage"]
    assert found.chosen is None
    assert "which is the supply voltage" in found.doubt


def test_one_message_from_two_sources_that_differ_is_asked_about_by_identifier() -> None:
    bench = Bench().put("A/EPS/SupplyVoltage", "V", 13.0 + wave(9.0, 0.3))
    (one,) = rank_static(Databases(messages=tuple(bench.messages)))["supply_voltage"]
    measured = [
        MeasuredCandidate(
            candidate=one,
            source=FrameSource(0, EXTENDED_KEY | can_id),
            time_s=SECONDS,
            value=volts + wave(period_s, 0.3),
        )
        for can_id, volts, period_s in ((0x18FEF700, 13.0, 9.0), (0x18FEF721, 14.0, 11.0))
    ]
    found = choose(
        {"supply_voltage": measured},
        stats_of({}),
        decided={},
        reference={},
        profile=default_profile(),
    )["supply_voltage"]
    assert found.chosen is None
    assert "18FEF700" in found.doubt
    assert "18FEF721" in found.doubt


def test_assist_torque_follows_the_driver_and_its_sign_is_taken_from_there() -> None:
    bench = Bench().put("A/EPS/DriverTorque", "Nm", EFFORT, signed=True, comment="right positive")
    bench.put("B/EPS/AssistTorque", "Nm", -ASSIST, signed=True)
    found = bench.choose()["assist_torque"]
    assert (found.scale, found.offset) == (-1.0, 0.0)
    assert found.sign_known


def test_an_assist_amount_without_direction_is_left_out() -> None:
    bench = Bench().put("A/EPS/DriverTorque", "Nm", EFFORT, signed=True)
    bench.put("B/EPS/AssistTorque", "Nm", np.abs(ASSIST))
    found = bench.choose()["assist_torque"]
    assert found.chosen is None
    assert "direction" in found.doubt


def limit_bench(name: str, value: FloatArray) -> ChannelChoice:
    bench = Bench().put("A/EPS/DriverTorque", "Nm", EFFORT, signed=True)
    bench.put("B/EPS/AssistTorque", "Nm", ASSIST, signed=True)
    return bench.put(f"C/EPS/{name}", "%", value, length=8, scale=0.5).choose()["assist_limit"]


def test_a_reduction_is_turned_into_what_is_left() -> None:
    found = limit_bench("AssistReduction", np.interp(SECONDS, [0, 40, 60], [0, 0, 60]))
    assert taken(found) == "C.AssistReduction"
    assert (found.scale, found.offset) == (-1.0, 100.0)


def test_a_limit_that_is_low_for_most_of_a_hot_ride_stays_a_limit() -> None:
    found = limit_bench("AssistLimit", np.interp(SECONDS, [0, 10, 60], [100, 45, 40]))
    assert taken(found) == "C.AssistLimit"
    assert (found.scale, found.offset) == (1.0, 0.0)
    assert not found.doubt


def test_a_factor_tells_by_the_end_at_which_the_module_works() -> None:
    full = limit_bench("AssistFactor", np.interp(SECONDS, [0, 40, 60], [100, 100, 50]))
    assert taken(full) == "C.AssistFactor"
    assert not full.doubt
    none = limit_bench("AssistFactor", np.interp(SECONDS, [0, 40, 60], [0, 0, 50]))
    assert none.chosen is None
    assert "taken away" in none.doubt


def test_assist_delivered_in_percent_is_not_what_is_available() -> None:
    found = limit_bench("AssistLevel", 100.0 * np.abs(ASSIST) / np.abs(ASSIST).max())
    assert found.chosen is None
    assert "follows the assist" in found.ranking[0].reasons[0]


def test_a_supply_that_dips_less_than_the_battery_under_load_is_asked_about() -> None:
    load = np.abs(ASSIST)
    bench = Bench().put("A/EPS/DriverTorque", "Nm", EFFORT, signed=True)
    bench.put("B/EPS/AssistTorque", "Nm", ASSIST, signed=True)
    bench.put("C/EPS/SupplyVoltage", "V", 14.0 - 0.005 * load)
    bench.put("D/BODY/BatteryVoltage", "V", 14.0 - 0.05 * load)
    found = bench.choose()["supply_voltage"]
    assert "swapped" in found.doubt
    assert found.chosen is None or found.stands_in


def test_battery_current_tells_by_the_voltage_which_way_it_counts() -> None:
    draw = 10.0 + 8.0 * np.abs(wave(9.0, 1.0))
    bench = Bench().put("A/BODY/BatteryVoltage", "V", 12.6 - 0.02 * draw)
    bench.put("B/BODY/BatteryCurrent", "A", -draw, signed=True, scale=0.1)
    found = bench.choose()["system_current"]
    assert found.scale == -1.0
    assert not found.doubt


def test_a_battery_current_that_nothing_explains_is_asked_about() -> None:
    bench = Bench().put("B/BODY/BatteryCurrent", "A", wave(9.0, 8.0), signed=True, scale=0.1)
    assert "charging" in bench.choose()["system_current"].doubt


def test_a_signal_that_the_profile_uses_serves_no_other_channel() -> None:
    value = 13.0 + wave(9.0, 0.3)
    bench = Bench().put("A/BODY/BatteryVoltage", "V", value)
    settled = {
        "supply_voltage": channel_of("supply_voltage", "V", value, signal="A.BatteryVoltage")
    }
    found = bench.choose(decided=settled)["system_voltage"]
    assert found.chosen is None
    assert "already" in found.ranking[0].reasons[0]


def test_a_slow_standard_value_backs_what_follows_it_and_questions_what_does_not() -> None:
    engine = 1000.0 + 40.0 * RIDING
    reply = {"engine_speed": channel_of("engine_speed", "rpm", engine, signal="OBD 0C")}
    right = Bench().put("A/ENGINE/EngineSpeed", "rpm", engine, scale=0.25)
    backed = right.choose(reference=reply)["engine_speed"].ranking[0]
    assert any("follows OBD" in why for why in backed.reasons)
    wrong = Bench().put("A/ENGINE/EngineSpeed", "rpm", 1.7 * engine, scale=0.25)
    assert "which is right" in wrong.choose(reference=reply)["engine_speed"].doubt


def test_a_standard_value_seen_too_briefly_speaks_neither_for_nor_against() -> None:
    engine = 1000.0 + 40.0 * RIDING
    reply = channel_of("engine_speed", "rpm", 0.5 * engine, signal="OBD 0C")
    few = replace(reply, time_s=reply.time_s[:5], value=reply.value[:5])
    bench = Bench().put("A/ENGINE/EngineSpeed", "rpm", engine, scale=0.25)
    found = bench.choose(reference={"engine_speed": few})["engine_speed"]
    assert found.chosen is not None
    assert not found.doubt


def test_a_signal_that_fits_two_channels_equally_is_given_to_neither() -> None:
    bench = Bench().put("A/EPS/Current", "A", 5.0 + 4.0 * np.abs(EFFORT), scale=0.1)
    found = bench.choose()
    assert found["motor_current"].chosen is None
    assert found["module_current"].chosen is None
    assert "motor current" in found["module_current"].doubt


# --- whatever comes ---------------------------------------------------------------------------


def _any_values(dice: np.random.Generator, count: int) -> FloatArray:
    kinds = (
        np.full(count, dice.choice([0.0, 5.0, 12.0, -8.0, 1e300])),
        dice.normal(size=count) * 10.0 ** dice.integers(-300, 300),
        np.full(count, np.nan),
        np.where(dice.random(count) < 0.9, np.nan, 20.0 * dice.normal(size=count)),
        np.cumsum(dice.normal(size=count)),
        np.resize([1.7e308, -1.7e308], count),
    )
    return np.asarray(kinds[dice.integers(len(kinds))])


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32), count=st.sampled_from([0, 1, 2, 9, 50]))
def test_values_of_any_kind_break_nothing(seed: int, count: int) -> None:
    dice = np.random.default_rng(seed)
    time_s = np.sort(dice.random(count)) * dice.choice([0.0, 1.0, 100.0])
    measured = {
        channel: [
            MeasuredCandidate(
                candidate=one,
                source=FrameSource(0, one.message.key),
                time_s=time_s,
                value=_any_values(dice, count),
            )
            for one in ones
        ]
        for channel, ones in rank_static(database("camel_english")).items()
    }
    found = choose(measured, stats_of({}), decided={}, reference={}, profile=default_profile())
    assert found.keys() == measured.keys()
    assert all(np.isfinite(line.score) for choice in found.values() for line in choice.ranking)


@settings(max_examples=60, deadline=None)
@given(name=st.text(max_size=60), unit=st.text(max_size=10), comment=st.text(max_size=200))
def test_text_of_any_kind_breaks_nothing(name: str, unit: str, comment: str) -> None:
    one = SignalLayout(
        message=name, name=name, start=0, length=16, unit=unit, comment=comment, labels={1: comment}
    )
    message = MessageLayout(name=name, key=1, length=8, signals=(one,), sender=name)
    for ones in rank_static(Databases(messages=(message,))).values():
        assert all(0.0 <= candidate.score <= 1.0 for candidate in ones)
    assert positive_side(comment) in {"", "left", "right"}


# --- figures ----------------------------------------------------------------------------------


def test_percentiles_equal_numpys() -> None:
    dice = np.random.default_rng(7)
    for size in (1, 2, 9, 1000):
        value = dice.normal(size=size)
        shape = shape_of(np.arange(size) * 0.1, value)
        expected = np.percentile(value, [1, 5, 50, 95, 99])
        found = [shape.p1, shape.p5, shape.median, shape.p95, shape.p99]
        assert found == pytest.approx(list(expected))
        assert shape.different == len(np.unique(value))


def test_gaps_are_no_values() -> None:
    value = np.array([np.nan, 1.0, np.nan, 3.0, 3.0])
    shape = shape_of(np.arange(5.0), value)
    assert (shape.samples, shape.low, shape.high) == (3, 1.0, 3.0)
    assert shape.valid == pytest.approx(0.6)


def test_a_held_value_grows_stale() -> None:
    grid = np.array([0.0, 0.5, 1.0, 1.6, 5.0])
    held = on_grid(grid, np.array([0.0, 0.2, 0.4, 0.6]), np.array([1.0, 2.0, np.nan, 4.0]))
    assert held == pytest.approx([1.0, 2.0, 4.0, 4.0, np.nan], nan_ok=True)


def test_likeness_equals_the_textbook_correlation() -> None:
    dice = np.random.default_rng(11)
    first = scipy_signal.lfilter([0.1], [1.0, -0.9], dice.normal(size=500))
    second = 2.0 * first + 0.1 * dice.normal(size=500)
    like = likeness(first, second)
    assert like.correlation == pytest.approx(np.corrcoef(first, second)[0, 1])
    assert like.ratio == pytest.approx(2.0, abs=0.05)
