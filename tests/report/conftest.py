"""A ride made by hand, rich enough to fill every part of a report."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

import canassist
from canassist.model import (
    CHANNEL_UNITS,
    AssistBand,
    AssistFit,
    AssistMap,
    BusStats,
    Case,
    Channel,
    ChargingFit,
    Code,
    CodeSighting,
    Conclusion,
    ConclusionRole,
    Coverage,
    CrankFit,
    Effort,
    Estimate,
    Event,
    EventKind,
    Evidence,
    ExplainsComplaint,
    FloatArray,
    FrameSource,
    Identity,
    IdStats,
    InputFile,
    Integrity,
    LimitChange,
    LimitLines,
    LogSummary,
    Moment,
    NextCheck,
    Physics,
    Points,
    Problem,
    Profile,
    Result,
    RunnerUp,
    Severity,
    Strength,
    SupplyPath,
    ThermalFit,
    Timeline,
    TorqueRest,
)
from canassist.profile import default_limits
from canassist.report import render_page
from canassist.version import VERSION

GOOD_VIN = "1" * 17  # sixteen ones and their check digit, 49 CFR 565: 89 mod 11 = 1


def _channel(name: str, time_s: FloatArray, value: FloatArray, **more: object) -> Channel:
    place = list(CHANNEL_UNITS).index(name)
    return Channel(
        name=name,
        unit=CHANNEL_UNITS[name],
        time_s=time_s,
        value=value,
        signal=f"Message{place}.Signal{place}",
        source=FrameSource(bus=0, key=0x100 + place),
        sender="SteeringModule",
        period_s=float(np.median(np.diff(time_s))),
        **more,  # type: ignore[arg-type]  # a test's short hand for the optional fields
    )


def _waves(time_s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return road speed, driver torque and module temperature of an invented ride."""
    length = time_s[-1]
    speed = 22 + 16 * np.sin(time_s / 23.0) + 5 * np.sin(time_s / 3.1)
    speed = np.clip(np.where((time_s < 12) | (time_s > length - 9), 0, speed), 0, None)
    torque = 3.2 * np.sin(time_s / 1.7) * (1 + 0.5 * np.sin(time_s / 31.0))
    warm = 38 + 60 * (1 - np.exp(-time_s / (length / 3.5)))
    temperature = warm + 2.5 * np.sin(time_s / (length / 9.0))
    return speed, torque, temperature


def make_channels(length_s: float = 420.0) -> dict[str, Channel]:
    rng = np.random.default_rng(11)
    slow, fast = np.arange(0, length_s, 0.1), np.arange(0, length_s, 0.02)
    rare = np.arange(0, length_s, 1.0)
    speed, _, _ = _waves(slow)
    speed_fast, torque, temperature = _waves(fast)
    limit = np.clip(100 * (115 - temperature) / 30, 0, 100)
    assist = np.clip(np.abs(torque) - 0.5, 0, None) * (4 - speed_fast / 18).clip(1) * limit / 100
    assist = np.sign(torque) * assist
    current = assist * 4.2 + rng.normal(0, 0.4, len(fast))
    supply = 14.1 - 0.011 * np.abs(current) + rng.normal(0, 0.02, len(fast))
    supply[(fast > 200.0) & (fast < 200.4)] = 10.2
    torque = torque + rng.normal(0, 0.03, len(fast))
    rpm = np.where(slow < 8, 0.0, 1200 + 70 * speed)
    temperature_slow = np.interp(rare, fast, temperature)
    temperature_slow[50:58] = np.nan
    keep = (slow < 300) | (slow > 306)
    modes = np.where(rare < length_s / 2, 0.0, 1.0)
    return {
        "vehicle_speed": _channel(
            "vehicle_speed",
            slow[keep],
            speed[keep],
            runner_up=RunnerUp(signal="Wheels.Front", why="stands still in the second half"),
        ),
        "engine_speed": _channel("engine_speed", slow, rpm),
        "supply_voltage": _channel("supply_voltage", fast, supply, left_out={"above range": 3}),
        "system_voltage": _channel("system_voltage", slow, 14.2 + 0 * slow),
        "module_temperature": _channel(
            "module_temperature", rare, temperature_slow, stale_after_s=5.0
        ),
        "assist_limit": _channel("assist_limit", fast, np.round(limit, 1)),
        "assist_torque": _channel("assist_torque", fast, assist),
        "motor_current": _channel("motor_current", fast, current),
        "driver_torque": _channel("driver_torque", fast, torque, sign_known=False),
        "steering_angle": _channel("steering_angle", fast, 200 * np.sin(fast / 1.7)),
        "assist_mode": _channel(
            "assist_mode", rare, modes, labels={0.0: "Trail", 1.0: "Sport"}, stale_after_s=5.0
        ),
    }


def _bus(length_s: float) -> BusStats:
    ids = tuple(
        IdStats(
            source=FrameSource(bus=0, key=0x100 + number),
            count=int(length_s * 10),
            first_s=0.0,
            last_s=length_s,
            period_s=0.1,
            jitter_s=0.002,
            longest_silence_s=0.12 if number != 4 else 6.1,
        )
        for number in range(9)
    )
    return BusStats(
        buses=("can0",),
        frames=int(length_s * 1900),
        error_frames=4,
        duration_s=length_s,
        ids=ids,
        error_time_s=np.array([10.0, 10.1, 10.2, 10.9]),
        error_class=np.array([4, 4, 8, 8], dtype=np.uint32),
        load=(0.38,),
        bit_rate=(500_000,),
    )


def _estimate(value: float, spread: float, unit: str, count: int = 24) -> Estimate:
    return Estimate(value=value, low=value - spread, high=value + spread, unit=unit, count=count)


def make_physics(channels: dict[str, Channel]) -> Physics:
    rng = np.random.default_rng(5)
    current = rng.uniform(0, 45, 240)
    temperature = channels["module_temperature"]
    torque = rng.uniform(-6, 6, 200)
    bands = tuple(
        AssistBand(
            speed_low_kph=low,
            speed_high_kph=low + 15,
            gain=_estimate(gain, 0.1, "N·m/N·m"),
            expected_gain=gain + 0.1,
            left_gain=_estimate(gain - 0.05, 0.2, "N·m/N·m"),
            right_gain=_estimate(gain + 0.05, 0.2, "N·m/N·m"),
            points=Points(x=torque, y=gain * torque + rng.normal(0, 0.4, 200)),
        )
        for low, gain in ((0.0, 3.8), (15.0, 2.7), (30.0, 1.9))
    )
    return Physics(
        limit_lines=LimitLines(
            derate_start_c=85.0,
            derate_zero_c=115.0,
            derate_start_v=11.0,
            derate_zero_v=9.0,
            source="profile",
        ),
        supply_path=SupplyPath(
            method="fast_split",
            path_ohm=_estimate(0.011, 0.002, "ohm"),
            source_ohm=_estimate(0.02, 0.006, "ohm"),
            peak_current_a=46.0,
            drop_v=0.5,
            open_voltage_v=14.1,
            points=Points(x=current, y=14.1 - 0.011 * current + rng.normal(0, 0.03, 240)),
        ),
        thermal=ThermalFit(
            tau_s=_estimate(118.0, 9.0, "s"),
            gain_k_per_a2=_estimate(0.21, 0.01, "K/A2"),
            ambient_c=31.0,
            fit=0.97,
            load_a2=310.0,
            to_derate_s=164.0,
            recover_s=41.0,
            sustained_current_a=15.9,
            time_s=temperature.time_s,
            model_c=np.nan_to_num(temperature.value, nan=60.0) + 0.8,
        ),
        assist=AssistFit(
            map_from="profile",
            lag_s=0.06,
            ratio=_estimate(0.98, 0.03, "share"),
            side_difference=_estimate(0.02, 0.04, "share"),
            bands=bands,
            speed_kph=(0.0, 20.0, 40.0),
            gains={"*": (4.0, 3.0, 2.0)},
        ),
        charging=ChargingFit(
            voltage_v=_estimate(14.08, 0.02, "V"),
            seconds=240.0,
            below_limit_s=0.4,
            points=Points(x=rng.uniform(900, 4000, 150), y=rng.normal(14.05, 0.05, 150)),
        ),
        cranks=(
            CrankFit(start_s=7.4, end_s=8.2, inrush_min_v=9.1, plateau_min_v=10.3, rest_v=12.6),
        ),
        torque_rest=TorqueRest(
            offset_nm=_estimate(0.06, 0.03, "N·m"),
            seconds=33.0,
            drift_nm_per_k=None,
            time_s=np.arange(0.0, 400.0, 20.0),
            torque_nm=rng.normal(0.06, 0.03, 20),
        ),
        effort=Effort(torque_p90_nm=4.1, saturated_share=0.02, mean_current_a=12.2),
    )


def make_events() -> tuple[Event, ...]:
    derates = tuple(
        Event(
            kind=EventKind.DERATE,
            start_s=start,
            end_s=end,
            cause="temperature",
            severity=Severity.WARNING,
            measured={"min_assist_pct": depth, "peak_temperature_c": 93.2},
            expected={"min_assist_pct": depth + 1.9},
            shares={"temperature": 1.0},
            channels_then={"module_temperature": 86.4, "supply_voltage": 14.02},
            text=f"Assist fell to {depth:.0f} % because the module was hot (93.2 °C).",
        )
        for start, end, depth in (
            (189.31, 231.0, 72.2),
            (245.0, 262.5, 64.0),
            (280.0, 297.25, 58.1),
        )
    )
    dip = Event(
        kind=EventKind.UNDERVOLTAGE,
        start_s=200.02,
        end_s=200.6,
        cause="supply_break",
        severity=Severity.WARNING,
        measured={"min_supply_v": 10.2},
        expected={"min_supply_v": 11.0},
        channels_then={"supply_voltage": 10.2, "motor_current": 21.5},
        text="Supply fell to 10.20 V (limit 11.0 V) for 0.6 s.",
    )
    lost = Event(
        kind=EventKind.SIGNAL_LOSS,
        start_s=300.0,
        end_s=306.1,
        severity=Severity.SERIOUS,
        channel="vehicle_speed",
        measured={"silent_s": 6.1},
        expected={"silent_s": 0.5},
        text="Road speed was missing for 6.1 s while the bus went on.",
    )
    last = Event(
        kind=EventKind.DERATE,
        start_s=350.0,
        end_s=None,
        cause="unexplained",
        severity=Severity.NOTE,
        measured={"min_assist_pct": 52.0},
        text="Assist fell to 52 % and had not come back when the log ended.",
    )
    return tuple(sorted((*derates, dip, lost, last), key=lambda event: event.start_s))


def make_conclusions() -> tuple[Conclusion, ...]:
    return (
        Conclusion(
            code=Code.THERMAL_PROTECTION,
            rank=1,
            strength=Strength.STRONG,
            headline="Assist was reduced 3 times because the module was hot. "
            "It protected itself as designed.",
            basis="3 of 4 reductions follow module temperature; limits from the profile",
            because=(
                Evidence(
                    text="Assist limit follows the temperature line within 1.9 %",
                    weight=1.5,
                    events=(0, 2, 3),
                    figure="thermal",
                ),
                Evidence(text="Supply stayed above 13.5 V but for 0.6 s", weight=0.6, events=(1,)),
            ),
            against=(Evidence(text="One reduction is not explained", weight=-0.3, events=(5,)),),
            explains=0.9,
            explains_complaint=ExplainsComplaint.YES,
            next_checks=(
                NextCheck(
                    text="Check the cooling fins of the module for mud: the surface must be bare.",
                    cautions=("Lift and support the vehicle before you turn the wheels by hand.",),
                ),
                NextCheck(text="Measure the mean motor current in slow turns: 12 A or less."),
                NextCheck(text="Check tyre pressure and steering linkage for binding."),
            ),
            ride_on="Ride on: the module protects itself.",
        ),
        Conclusion(
            code=Code.SPEED_SIGNAL_FAULT,
            rank=2,
            strength=Strength.WEAK,
            headline="Road speed was missing once for 6.1 s.",
            because=(Evidence(text="No road speed from 5:00 to 5:06", weight=0.5, events=(4,)),),
            role=ConclusionRole.ALSO_SEEN,
            next_checks=(
                NextCheck(
                    text="Check the connector of the speed sensor before replacing anything."
                ),
            ),
        ),
    )


@lru_cache(maxsize=4)
def make_result(length_s: float = 420.0) -> Result:
    channels = make_channels(length_s)
    bus = _bus(length_s)
    start = datetime(2026, 3, 1, 9, 12, 33, 120_000, tzinfo=UTC)
    profile = Profile(
        limits=replace(default_limits(), derate_start_c=86.0),
        name="Demo trail vehicle",
        file_name="trail.toml",
        assist_map=AssistMap(
            speed_kph=(0.0, 20.0, 40.0),
            gains={"*": (4.0, 3.0, 2.0)},
            driver_deadband_nm=0.5,
            max_assist_nm=40.0,
        ),
        given=frozenset({"limits.derate_start_c", "limits.derate_zero_c"}),
    )
    return Result(
        version=VERSION,
        inputs=(
            InputFile(role="log", name=f"ride_{GOOD_VIN}.log", sha256="a" * 64, size_bytes=512),
            InputFile(role="dbc", name="trail.dbc", sha256="b" * 64, size_bytes=64),
            InputFile(role="profile", name="trail.toml", sha256="c" * 64, size_bytes=32),
        ),
        log=LogSummary(
            format="candump",
            start_utc=start,
            duration_s=length_s,
            frames=bus.frames,
            error_frames=4,
            buses=("can0",),
            ids=39,
            ids_known=9,
            problems=(Problem(where=f"ride_{GOOD_VIN}.log line 17", what="cut line left out"),),
        ),
        timeline=Timeline(
            channels=channels,
            duration_s=length_s,
            start_utc=start,
            bus=bus,
            integrity=(
                Integrity(
                    message="SteerEffort", frames=4200, repeats=1, skips=2, checksum_failures=0
                ),
            ),
            trouble_codes=(
                CodeSighting(
                    code="C1234-49",
                    text="internal electronic failure",
                    protocol="UDS",
                    first_s=20.0,
                    last_s=20.4,
                    status="confirmed",
                ),
            ),
            identity=Identity(
                part_number="TV-4401-B",
                software_version="2.7.1",
                serial_number="SN00912345",
                vin=GOOD_VIN,
                vin_check_digit_ok=True,
            ),
        ),
        physics=make_physics(channels),
        events=make_events(),
        conclusions=make_conclusions(),
        coverage=Coverage(
            low_speed_steering_s=84.2,
            cruise_s=110.3,
            engine_running_s=411.0,
            hot_s=140.4,
            standing_s=12.0,
            slow_left_s=40.0,
            slow_right_s=None,
            cranks=1,
            modes_s={"Trail": 210.0, "Sport": 210.0},
            cannot_tell=("Whether the charging is low at idle: the ride never idled for 30 s.",),
            ride_next=("Idle for two minutes with lights on, then turn lock to lock twice.",),
        ),
        profile=profile,
        assumed=profile.assumed,
        limits_changed=(LimitChange(limit="limits.derate_start_c", default=85.0, profile=86.0),),
        moments=(
            Moment(
                at_s=195.0,
                text="At 3:15 assist was down to 78 %: the module was hot.",
                events=(0,),
                readings={"module_temperature": 91.0, "assist_limit": 78.2},
            ),
        ),
        case=Case(
            complaint="The steering goes heavy after half an hour on the hill.",
            vehicle="Trail 700",
            odometer="1 204 km",
            work_order="WO-118",
            technician="A. Example",
            equipment="plow",
            at_s=(195.0,),
        ),
    )


@pytest.fixture(scope="session")
def result() -> Result:
    """Return one rich ride of seven minutes."""
    return make_result()


@pytest.fixture(scope="session")
def page_file(result: Result, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the rich ride's report on disk."""
    path = tmp_path_factory.mktemp("page") / "ride.report.html"
    path.write_text(render_page(result), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def sample_pages(project_root: Path, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Return a report on every sample ride."""
    folder = tmp_path_factory.mktemp("samples")
    paths = []
    for side in sorted((project_root / "sample_logs").glob("*.truth.json")):
        truth = json.loads(side.read_text("utf-8"))
        found = canassist.analyze(
            side.parent / truth["log"],
            dbc=project_root / truth["dbc"],
            profile=project_root / truth["profile"],
        )
        path = folder / f"{side.name.removesuffix('.truth.json')}.report.html"
        path.write_text(render_page(found), encoding="utf-8")
        paths.append(path)
    return paths
