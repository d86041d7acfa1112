"""Every scenario by name, and how one is drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from canassist.demo.plant.scenario import RecordingStyle, Scenario
from tests.simulator import scenarios_assist as assist
from tests.simulator import scenarios_signals as signals
from tests.simulator import scenarios_sound as sound
from tests.simulator import scenarios_supply as supply
from tests.simulator.draw import Draw

Recipe = Callable[[Draw], Scenario]


class ScenarioGroup(StrEnum):
    """What a scenario is good for."""

    HEALTHY = "healthy"
    """Nothing is broken: no part may be blamed."""
    PROTECTED = "protected"
    """The module protects itself as designed: no part may be blamed."""
    FAULT = "fault"
    """Something is broken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScenarioPlan:
    """How a scenario is drawn, and how often it has to be for a fair count.

    Attributes
    ----------
    shows : tuple of (kind, cause)
        Events without which it would not show what it is for; cause ``""`` is any.
    seeds : int
        How many seeds a full table takes, so that rare kinds of event are counted
        a hundred times.
    """

    group: ScenarioGroup
    recipe: Recipe
    shows: tuple[tuple[str, str], ...] = ()
    seeds: int = 10

    @property
    def title(self) -> str:
        """What it is, from its recipe's first line."""
        first = (self.recipe.__doc__ or "").strip().splitlines()[0]
        return first.removeprefix("Return ").rstrip(".").capitalize()


_HEALTHY: Final = (
    sound.mixed,
    sound.rough_ground,
    sound.mode_changes,
    sound.cold_start,
    sound.plowing,
    sound.winching,
    sound.long_idle,
    sound.never_ridden,
    sound.only_cruising,
    sound.engine_running_from_the_first,
    sound.stopped_and_started,
    sound.nearly_hot,
    sound.basic_channels,
)
_STEERING_DIP: Final = (("undervoltage", "steering_load"), ("derate", "voltage"))
_FAULTS: Final[tuple[tuple[Recipe, tuple[tuple[str, str], ...], int], ...]] = (
    (supply.weak_battery, (*_STEERING_DIP, ("undervoltage", "cranking")), 10),
    (supply.weak_battery_without_start, _STEERING_DIP, 10),
    (supply.weak_battery_cold, (*_STEERING_DIP, ("undervoltage", "cranking")), 10),
    (supply.weak_battery_key_on, (("undervoltage", "engine_stopped"),), 10),
    (supply.not_charging, (("charging_low", ""),), 15),
    (supply.charging_stops, (("charging_low", ""),), 15),
    (supply.charging_weak, (("charging_low", ""),), 15),
    (supply.path_resistance, _STEERING_DIP, 10),
    (supply.path_resistance_small, (("undervoltage", "steering_load"),), 10),
    (supply.path_resistance_without_board, _STEERING_DIP, 10),
    (supply.path_resistance_on_the_way, _STEERING_DIP, 10),
    (supply.short_breaks, (("undervoltage", "supply_break"),), 10),
    (supply.long_breaks, (("undervoltage", "supply_break"), ("module_restart", "")), 10),
    (supply.overvoltage, (("overvoltage", ""),), 12),
    (supply.overvoltage_derates, (("overvoltage", ""), ("derate", "overvoltage")), 12),
    (supply.hot_and_bad_joint, (("derate", "temperature+voltage"),), 10),
    (signals.speed_stops, (("signal_loss", ""), ("derate", "speed_signal")), 10),
    (signals.speed_no_value, (("signal_loss", ""), ("derate", "speed_signal")), 10),
    (signals.engine_speed_lost, (("signal_loss", ""), ("derate", "speed_signal")), 10),
    (signals.speed_stuck, (("signal_stuck", ""),), 20),
    (signals.speed_false, (), 10),
    (signals.speed_jumps, (("signal_jump", ""),), 20),
    (signals.engine_speed_stuck, (("signal_stuck", ""),), 20),
    (signals.module_restarts, (("module_restart", ""),), 20),
    (signals.error_frames, (("bus_disturbance", ""), ("derate", "speed_signal")), 12),
    (signals.silent_bus, (("bus_disturbance", ""), ("derate", "speed_signal")), 12),
    (assist.offset_right, (("torque_offset", ""),), 26),
    (assist.offset_left, (("torque_offset", ""),), 26),
    (assist.offset_drifts, (("torque_offset", ""),), 26),
    (assist.offset_in_every_mode, (("torque_offset", ""),), 26),
    (assist.assist_low, (("assist_deviation", "low"),), 12),
    (assist.assist_high, (("assist_deviation", "high"),), 12),
    (assist.assist_low_left, (("assist_deviation", "left_low"),), 12),
    (assist.assist_low_right, (("assist_deviation", "right_low"),), 12),
    (assist.assist_ignores_speed, (("assist_deviation", "ignores_speed"),), 12),
    (assist.assist_uncommanded, (("assist_deviation", "uncommanded"),), 12),
    (assist.module_derates, (("derate", "unexplained"),), 10),
    (
        assist.module_derates_with_codes,
        (("derate", "unexplained"), ("trouble_code", "")),
        34,
    ),
    (assist.heavy_going, (), 10),
)


def _plans() -> dict[str, ScenarioPlan]:
    plans = {
        recipe.__name__: ScenarioPlan(group=ScenarioGroup.HEALTHY, recipe=recipe, seeds=20)
        for recipe in _HEALTHY
    }
    plans["deep_inrush"] = ScenarioPlan(
        group=ScenarioGroup.HEALTHY,
        recipe=sound.deep_inrush,
        shows=(("undervoltage", "cranking"),),
        seeds=20,
    )
    plans["winching_hard"] = ScenarioPlan(
        group=ScenarioGroup.HEALTHY,
        recipe=sound.winching_hard,
        shows=(("undervoltage", "other_load"),),
        seeds=20,
    )
    plans["recorder_gaps"] = ScenarioPlan(
        group=ScenarioGroup.HEALTHY,
        recipe=signals.recorder_gaps,
        shows=(("log_gap", ""),),
        seeds=22,
    )
    for recipe in (sound.hot, sound.hot_plowing, sound.hot_without_limit):
        plans[recipe.__name__] = ScenarioPlan(
            group=ScenarioGroup.PROTECTED,
            recipe=recipe,
            shows=(("derate", "temperature"),),
            seeds=20,
        )
    for faulty, shows, seeds in _FAULTS:
        plans[faulty.__name__] = ScenarioPlan(
            group=ScenarioGroup.FAULT, recipe=faulty, shows=shows, seeds=seeds
        )
    return plans


SCENARIOS: Final[Mapping[str, ScenarioPlan]] = MappingProxyType(_plans())
"""Every scenario by name."""

CONDITIONS: Final[Mapping[str, RecordingStyle]] = MappingProxyType(
    {
        "as simulated": RecordingStyle(),
        "noise doubled": RecordingStyle(noise=2.0),
        "half the rates": RecordingStyle(rate=0.5),
        "5 % of frames lost": RecordingStyle(lost_share=0.05),
        "10 ms of clock jitter": RecordingStyle(jitter_s=0.010),
    }
)
"""How a recording can be worse."""


def draw_scenario(
    name: str, seed: int, *, held_out: bool = False, recording: RecordingStyle | None = None
) -> Scenario:
    """Draw one ride of a scenario.

    Parameters
    ----------
    name : str
        A key of `SCENARIOS`.
    seed : int
        0 or more.
    held_out : bool
        Draw from the ranges that are kept apart from tuning (see `Draw`).
    recording : RecordingStyle, optional
        How it is recorded; one of `CONDITIONS`, say.

    Raises
    ------
    KeyError
        If there is no such scenario.
    """
    plan = SCENARIOS[name]
    draw = Draw(name, seed, held_out=held_out)
    return replace(
        plan.recipe(draw),
        name=name,
        title=plan.title,
        seed=draw.ride_seed,
        recording=recording or RecordingStyle(),
    )
