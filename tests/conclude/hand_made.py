"""Hand-made rides: channels, estimates and events written down, nothing detected."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from canassist.conclude import conclude
from canassist.model import (
    CHANNEL_UNITS,
    LIMIT_NAMES,
    BusStats,
    Case,
    Channel,
    ChargingFit,
    CrankFit,
    Estimate,
    Event,
    EventKind,
    FrameSource,
    LimitLines,
    Physics,
    Points,
    Profile,
    SupplyPath,
    Timeline,
    TorqueRest,
    Verdict,
)
from canassist.profile import default_profile

DURATION_S = 300.0
PERIOD_S = 0.1


def constant(name: str, value: float, **changes: object) -> Channel:
    """Return a channel with one value for the whole ride."""
    time_s = np.arange(0.0, DURATION_S, PERIOD_S)
    channel = Channel(
        name=name,
        unit=CHANNEL_UNITS[name],
        time_s=time_s,
        value=np.full(len(time_s), value),
        signal=f"Some.{name}",
        source=FrameSource(0, 1),
        period_s=PERIOD_S,
        stale_after_s=0.5,
    )
    return replace(channel, **changes)  # type: ignore[arg-type]  # fields by name


def ridden() -> dict[str, Channel]:
    """Return channels of a ride that covers everything: half slow steering, half cruising."""
    channels = {
        "vehicle_speed": constant("vehicle_speed", 8.0),
        "engine_speed": constant("engine_speed", 2200.0),
        "supply_voltage": constant("supply_voltage", 13.9),
        "system_voltage": constant("system_voltage", 14.1),
        "module_temperature": constant("module_temperature", 60.0),
        "assist_limit": constant("assist_limit", 100.0),
        "assist_torque": constant("assist_torque", 9.0),
        "motor_current": constant("motor_current", 18.0),
        "module_current": constant("module_current", 12.0),
        "driver_torque": constant("driver_torque", 3.0),
        "steering_angle": constant("steering_angle", 0.0),
    }
    half = len(channels["vehicle_speed"].time_s) // 2
    channels["vehicle_speed"].value[half:] = 40.0
    channels["driver_torque"].value[half : half * 3 // 2] = -3.0
    return channels


def given_profile() -> Profile:
    """Return a profile that gives every limit, at its default value."""
    return replace(
        default_profile(),
        file_name="vehicle.toml",
        given=frozenset(f"limits.{name}" for name in LIMIT_NAMES) | {"limits"},
    )


def estimate(value: float, low: float, high: float, unit: str = "", count: int = 12) -> Estimate:
    return Estimate(value=value, low=low, high=high, unit=unit, count=count)


def lines(source: str = "profile") -> LimitLines:
    return LimitLines(
        derate_start_c=85.0,
        derate_zero_c=115.0,
        derate_start_v=11.0,
        derate_zero_v=9.0,
        source=source,
    )


def path(value: float, low: float, high: float, *, method: str = "difference") -> SupplyPath:
    return SupplyPath(
        method=method,
        path_ohm=estimate(value, low, high, "ohm"),
        source_ohm=None,
        peak_current_a=42.0,
        drop_v=value * 42.0,
        open_voltage_v=13.9,
        points=Points.none(),
    )


def charging(value: float) -> ChargingFit:
    return ChargingFit(
        voltage_v=estimate(value, value - 0.1, value + 0.1, "V"),
        seconds=200.0,
        below_limit_s=0.0,
        points=Points.none(),
    )


def crank(plateau_v: float, rest_v: float = 12.6) -> CrankFit:
    return CrankFit(
        start_s=2.0,
        end_s=3.0,
        inrush_min_v=plateau_v - 2.0,
        plateau_min_v=plateau_v,
        rest_v=rest_v,
    )


def rest(value: float) -> TorqueRest:
    return TorqueRest(
        offset_nm=estimate(value, value - 0.05, value + 0.05, "N·m", count=4),
        seconds=24.0,
        drift_nm_per_k=None,
        time_s=np.empty(0),
        torque_nm=np.empty(0),
    )


def derate(cause: str, start_s: float = 60.0, low: float = 40.0, **changes: object) -> Event:
    event = Event(
        kind=EventKind.DERATE,
        start_s=start_s,
        end_s=start_s + 27.0,
        cause=cause,
        channel="assist_limit",
        measured={"min_assist_pct": low, "lost_assist_pct_s": 27.0 * (100.0 - low) / 2.0},
        expected={"min_assist_pct": low + 2.0},
        shares=dict.fromkeys(cause.split("+"), 1.0),
    )
    return replace(event, **changes)  # type: ignore[arg-type]  # fields by name


def dip(cause: str | None, start_s: float = 60.0, low: float = 10.4) -> Event:
    return Event(
        kind=EventKind.UNDERVOLTAGE,
        start_s=start_s,
        end_s=start_s + 1.5,
        cause=cause,
        channel="supply_voltage",
        measured={"min_supply_v": low},
        expected={"min_supply_v": 11.0},
    )


@dataclass(frozen=True, kw_only=True)
class HandMade:
    """Everything that `conclude` takes, written down by hand."""

    channels: dict[str, Channel] = field(default_factory=ridden)
    profile: Profile = field(default_factory=given_profile)
    physics: Physics = field(default_factory=lambda: Physics(limit_lines=lines()))
    events: tuple[Event, ...] = ()
    case: Case = field(default_factory=Case)
    recorder_losses_s: tuple[float, ...] = ()
    recording_gaps: tuple[tuple[float, float], ...] = ()
    cut: bool = False

    @property
    def timeline(self) -> Timeline:
        bus = BusStats(
            buses=("can0",),
            frames=100_000,
            error_frames=0,
            duration_s=DURATION_S,
            ids=(),
            error_time_s=np.empty(0),
            error_class=np.empty(0, dtype=np.uint32),
            recording_gaps=self.recording_gaps,
            recorder_losses_s=self.recorder_losses_s,
            cut=self.cut,
        )
        return Timeline(channels=self.channels, duration_s=DURATION_S, start_utc=None, bus=bus)

    def without(self, *names: str) -> HandMade:
        kept = {name: ch for name, ch in self.channels.items() if name not in names}
        return replace(self, channels=kept)

    def verdict(self) -> Verdict:
        ordered = sorted(self.events, key=lambda event: event.start_s)
        return conclude(self.timeline, self.profile, self.physics, ordered, self.case)


def all_texts(verdict: Verdict) -> Iterable[str]:
    """Return every sentence of a verdict."""
    yield from (event.text for event in verdict.events)
    yield from (moment.text for moment in verdict.moments)
    yield from verdict.coverage.cannot_tell
    yield from verdict.coverage.ride_next
    for conclusion in (*verdict.conclusions, *verdict.ruled_out):
        yield conclusion.headline
        yield conclusion.basis
        yield from (item.text for item in (*conclusion.because, *conclusion.against))
        yield from (str(check) for check in conclusion.next_checks)
        yield from conclusion.cautions
        if conclusion.ride_on:
            yield conclusion.ride_on
