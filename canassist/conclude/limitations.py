"""What the log cannot tell, why, and the ride that would tell it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.conclude.coverage import CRUISE_NEEDED_S, SLOW_NEEDED_S
from canassist.conclude.wording.sentences import (
    channel_names,
    clock,
    degrees,
    duration,
    quantity,
    say,
    times,
    volts,
)
from canassist.physics import NOMINAL_V, SLOWEST_S, has_engine, supply_limits_hold

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import Channel, Coverage, Physics, Profile, Timeline

CHARGING_NEEDED_S: Final = 30.0
"""Engine above its charging speed, s (the contract's figure)."""

SIDED: Final = ("driver_torque", "assist_torque", "motor_current", "steering_angle")


def add_untold(
    coverage: Coverage, timeline: Timeline, profile: Profile, physics: Physics
) -> Coverage:
    """Return the coverage with what cannot be told and what to ride next."""
    found = _Limitations(coverage, timeline, profile, physics)
    return replace(
        coverage,
        cannot_tell=tuple(dict.fromkeys(found.cannot())),
        ride_next=tuple(dict.fromkeys(found.rides())),
    )


class _Limitations:
    """Looks through one ride for what it does not show."""

    def __init__(
        self, coverage: Coverage, timeline: Timeline, profile: Profile, physics: Physics
    ) -> None:
        self.coverage = coverage
        self.timeline = timeline
        self.profile = profile
        self.physics = physics

    def cannot(self) -> Iterator[str]:
        yield from self._assist()
        yield from self._supply()
        yield from self._path()
        yield from self._steering()
        yield from self._conditions()
        yield from self._recording()

    def lacks(self, *names: str) -> list[str]:
        return [name for name in names if not self.timeline.has(name)]

    def _short(self, seconds: float | None, needed_s: float) -> bool:
        return seconds is not None and seconds < needed_s

    def knows_status(self) -> bool:
        words = self.profile.status_reduced | self.profile.status_off
        return bool(words) and self.timeline.has("module_status")

    def _assist(self) -> Iterator[str]:
        if self.timeline.has("assist_limit"):
            return
        if self.knows_status():
            yield say("cannot.depth")
        elif self.lacks("assist_torque", "driver_torque"):
            yield say("cannot.assist")
        else:
            yield say("cannot.depth")

    def _supply(self) -> Iterator[str]:
        channel = self.timeline.get("supply_voltage")
        if channel is None:
            yield say("cannot.supply")
        elif channel.stands_in:
            yield say("cannot.stand_in", signal=channel.signal)
        if channel is not None and not supply_limits_hold(
            self.timeline, self.profile, "undervoltage_v", "derate_start_v", "charging_v"
        ):
            yield self._other_supply(channel)
        if not self.timeline.has("engine_speed"):
            if has_engine(self.timeline, self.profile) is not False:
                yield say("cannot.engine")
            return
        if self._charging_s() < CHARGING_NEEDED_S:
            rpm = quantity(self.profile.limits.charging_rpm, "rpm")
            yield say("cannot.charging", rpm=rpm, seconds=duration(self._charging_s()))
        if not self.physics.cranks:
            yield say("cannot.crank")

    def _charging_s(self) -> float:
        """Return how long the engine was above its charging speed, s."""
        fit = self.physics.charging
        return 0.0 if fit is None else fit.seconds

    def _other_supply(self, channel: Channel) -> str:
        if self.profile.nominal_v != NOMINAL_V:
            return say("cannot.nominal", nominal=volts(self.profile.nominal_v))
        return say("cannot.other_supply", middle=volts(float(np.median(channel.valid()[1]))))

    def _path(self) -> Iterator[str]:
        lacking = self.lacks("supply_voltage", "module_current")
        if lacking:
            yield say("cannot.path", channels=channel_names(lacking))
        elif self.physics.supply_path is None:
            yield say("cannot.path_ride")
        elif self.physics.supply_path.method == "motor_power":
            yield say("cannot.path_sure")

    def _steering(self) -> Iterator[str]:
        if not self.timeline.has("module_temperature"):
            yield say("cannot.heat")
        if not self.timeline.has("vehicle_speed"):
            yield say("cannot.speed")
        yield from self._map()
        unsigned = [
            name
            for name in SIDED
            if (channel := self.timeline.get(name)) is not None and not channel.sign_known
        ]
        if unsigned:
            yield say("cannot.sides", channels=channel_names(unsigned))
        blind = self.lacks("driver_torque", "steering_angle")
        if blind:
            yield say("cannot.offset_channel", channels=channel_names(blind))
        elif self.physics.torque_rest is None:
            yield say("cannot.offset")

    def _map(self) -> Iterator[str]:
        lacking = self.lacks("assist_torque", "driver_torque", "vehicle_speed")
        fit = self.physics.assist
        seldom = [
            name
            for name in ("assist_torque", "driver_torque")
            if not lacking and self.timeline.channels[name].period_s > SLOWEST_S
        ]
        if lacking:
            yield say("cannot.map", channels=channel_names(lacking))
        elif seldom:
            least = quantity(SLOWEST_S, "s", 2)
            yield say("cannot.seldom", channels=channel_names(seldom), least=least)
        elif fit is None or fit.map_from == "none":
            yield say("cannot.no_map")
        elif fit.map_from == "ride":
            yield say("cannot.learned_map")
        elif fit.ratio is None:
            yield say("cannot.little")

    def _conditions(self) -> Iterator[str]:
        ridden, limits = self.coverage, self.profile.limits
        if self._short(ridden.low_speed_steering_s, SLOW_NEEDED_S):
            yield say("cannot.slow", seconds=duration(ridden.low_speed_steering_s))
        if self._short(ridden.cruise_s, CRUISE_NEEDED_S):
            yield say("cannot.cruise", seconds=duration(ridden.cruise_s))
        if ridden.hot_s == 0.0:
            yield say("cannot.hot", limit=degrees(limits.hot_c))

    def _recording(self) -> Iterator[str]:
        bus = self.timeline.bus
        if bus.doubtful:
            yield say("cannot.damaged")
        if bus.recording_gaps:
            lost = sum(end - start for start, end in bus.recording_gaps)
            count = len(bus.recording_gaps)
            yield say("cannot.gap", times=say("word.stretches", n=count), seconds=duration(lost))
        if bus.recorder_losses_s:
            yield say(
                "cannot.lost",
                times=times(len(bus.recorder_losses_s)),
                at=clock(min(bus.recorder_losses_s)),
            )

    def rides(self) -> Iterator[str]:
        if self.timeline.bus.doubtful or self.timeline.bus.cut:
            yield say("next_ride.copy")
        lacking = self._to_log()
        if lacking:
            yield say("next_ride.log", channels=channel_names(lacking))
        yield from self._manoeuvres()
        if self.timeline.has("engine_speed") and not self.physics.cranks:
            yield say("next_ride.crank")
        sensed = self.timeline.has("driver_torque", "steering_angle")
        if sensed and self.physics.torque_rest is None:
            yield say("next_ride.rest")
        if self.timeline.bus.recording_gaps:
            yield say("next_ride.longer")

    def _to_log(self) -> list[str]:
        lacking = self.lacks("vehicle_speed", "engine_speed", "supply_voltage", "driver_torque")
        if "engine_speed" in lacking and has_engine(self.timeline, self.profile) is False:
            lacking.remove("engine_speed")
        if not self.timeline.has("assist_limit") and not self.knows_status():
            lacking += self.lacks("assist_limit", "assist_torque")
        return lacking + self.lacks("module_temperature", "module_current", "steering_angle")

    def _manoeuvres(self) -> Iterator[str]:
        ridden, limits = self.coverage, self.profile.limits
        if self._short(ridden.low_speed_steering_s, SLOW_NEEDED_S):
            yield say("next_ride.slow", speed=quantity(limits.slow_kph, "km/h"))
        if self._short(ridden.cruise_s, CRUISE_NEEDED_S):
            yield say("next_ride.cruise", speed=quantity(limits.cruise_kph, "km/h"))
        if self.timeline.has("engine_speed") and self._charging_s() < CHARGING_NEEDED_S:
            yield say("next_ride.charging", rpm=quantity(limits.charging_rpm, "rpm"))
        if ridden.hot_s == 0.0:
            yield say("next_ride.hot", limit=degrees(limits.hot_c))
