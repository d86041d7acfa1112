"""What a technician does next: the checks of a conclusion, with figures of this ride."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canassist.conclude.causes.crank_levels import LOAD_TEST_C, LOAD_TEST_V
from canassist.conclude.causes.speed_and_bus_evidence import speed_faults
from canassist.conclude.causes.supply_path_evidence import measured_path
from canassist.conclude.causes.supply_summary import has_engine
from canassist.conclude.known_then import OTHERS_SLOWEST_S, SLOWEST_S, unknown_at_onset
from canassist.conclude.ride_findings import unknown_channels
from canassist.conclude.wording.sentences import (
    channel_name,
    channel_names,
    degrees,
    duration,
    milliohms,
    quantity,
    say,
    torque,
    volts,
)
from canassist.model import Code, NextCheck

if TYPE_CHECKING:
    from canassist.conclude.ride_findings import RideFindings

CHARGING_V: Final = (13.7, 14.7)
"""Published charging voltage for a nominal 12 V (service page)."""

REST_V: Final = (12.6, 12.2)
"""A full and a half full lead battery at rest (common table), 12 V."""

USUAL_C: Final = 21.0
"""Temperature that load testers are marked for (70 °F), where the log tells none."""

LEAST_A: Final = 5.0
"""A peak current below this says nothing about a drop to expect."""

FIRST_CHECKED: Final = frozenset(Code) - {Code.NO_FAULT_FOUND, Code.INCONCLUSIVE}
"""Conclusions whose checks begin with the stored codes and end with a verification ride."""


@cache
def _tables() -> dict[str, Any]:  # Any: tables of checks, nested
    raw = resources.files("canassist.conclude.wording").joinpath("checks.toml").read_text("utf-8")
    return tomllib.loads(raw)


def next_checks(ride: RideFindings, code: Code) -> tuple[NextCheck, ...]:
    """Return the checks of a conclusion in a good technician's order, each with its cautions.

    Codes are read and saved first, then the cheap and likely comes before the dear; a ride
    with the log running verifies it in the end. Values follow from this ride and are scaled
    to the nominal supply.
    """
    own = _open_end(ride) if code is Code.INCONCLUSIVE else list(_tables()["checks"][code.value])
    if code in FIRST_CHECKED:
        own = [_tables()["first"], *own, _tables()["last"]]
    figures = _figures(ride)
    made = [_check(entry, figures) for entry in own]
    made[-1] = NextCheck(
        text=made[-1].text,
        expect=made[-1].expect,
        cautions=(*made[-1].cautions, _tables()["caution"]["default"]),
    )
    return tuple(made)


def _open_end(ride: RideFindings) -> list[Any]:  # Any: TOML tables
    """Return the checks that would tell what this log leaves open, the most telling first."""
    texts = ride.coverage.ride_next or (say("next_ride.longer"),)
    seldom: dict[str, list[str]] = {}
    for hit in ride.derates:
        for name in unknown_channels(hit.event):
            if unknown_at_onset(ride, name, hit.event.start_s) == "slow":
                least = duration(SLOWEST_S.get(name, OTHERS_SLOWEST_S))
                seldom[least] = list(dict.fromkeys([*seldom.get(least, ()), name]))
    often = [
        say("next_ride.often", channels=channel_names(names), least=least)
        for least, names in seldom.items()
    ]
    low = [_tables()["low_supply"]] if ride.derates_by("voltage") else []
    return [*low, *({"text": text, "cautions": ["road"]} for text in (*often, *texts))]


def _check(entry: dict[str, Any], figures: dict[str, str]) -> NextCheck:  # Any: a TOML table
    return NextCheck(
        text=entry["text"].format_map(figures),
        expect=entry.get("expect", "").format_map(figures),
        cautions=tuple(_tables()["caution"][name] for name in entry.get("cautions", ())),
    )


def _figures(ride: RideFindings) -> dict[str, str]:
    """Return every figure that a check may name."""
    limits, lines = ride.limits, ride.physics.limit_lines
    thermal = ride.physics.thermal
    most = None if thermal is None else thermal.sustained_current_a
    hits = speed_faults(ride)
    fast = quantity(limits.charging_rpm, "rpm") if has_engine(ride) else say("word.idle")
    duty = say("word.duty")
    if most is not None:
        duty = say("word.duty_current", current=quantity(most, "A"))
    channel = (hits[0].event.channel if hits else None) or "vehicle_speed"
    watch = _tables()["watch"]["engine" if channel == "engine_speed" else "wheels"]
    return {
        "duty": duty,
        "recover": degrees(limits.derate_start_c if lines is None else lines.derate_start_c),
        "rpm": fast,
        "channel": channel_name(channel),
        "watch": watch.format(channel=channel_name(channel)),
        "limit": torque(limits.torque_offset_nm, 2),
        "supply": volts(limits.undervoltage_v),
        "rest_expect": _rest(ride),
        "load_expect": _load_test(ride),
        "charge_expect": _charging(ride),
        "path_expect": _path(ride),
    }


def _scale(ride: RideFindings) -> float:
    return ride.volt_share


def _lead(ride: RideFindings) -> bool:
    return ride.profile.supply.battery != "lithium"


def _rest(ride: RideFindings) -> str:
    if not _lead(ride):
        return str(_tables()["expect"]["manual"])
    full, half = (volts(level * _scale(ride)) for level in REST_V)
    return str(_tables()["expect"]["rest"]).format(full=full, half=half)


def _load_test(ride: RideFindings) -> str:
    if not _lead(ride):
        return str(_tables()["expect"]["manual"])
    at_degc = USUAL_C
    channel = ride.timeline.get("ambient_temperature")
    if channel is not None and len(channel.valid()[1]):
        at_degc = float(np.median(channel.valid()[1]))
    level = float(np.interp(at_degc, LOAD_TEST_C, LOAD_TEST_V)) * _scale(ride)
    return str(_tables()["expect"]["load"]).format(load=volts(level), at=degrees(at_degc))


def _charging(ride: RideFindings) -> str:
    if not _lead(ride) or ride.profile.supply.source in {"dcdc", "battery"}:
        return str(_tables()["expect"]["manual"])
    low, high = (volts(level * _scale(ride)) for level in CHARGING_V)
    key = "charge_regulated" if ride.profile.supply.regulated else "charge"
    return str(_tables()["expect"][key]).format(low=low, high=high)


def _path(ride: RideFindings) -> str:
    """Say what the whole path may lose at the current that this ride drew."""
    limit_ohm, path = ride.limits.max_circuit_ohm, measured_path(ride)
    limit = milliohms(limit_ohm)
    if path is None or path.peak_current_a < LEAST_A:
        return str(_tables()["expect"]["path_open"]).format(limit=limit)
    return str(_tables()["expect"]["path"]).format(
        current=quantity(path.peak_current_a, "A"),
        drop=volts(path.peak_current_a * limit_ohm),
        limit=limit,
    )
