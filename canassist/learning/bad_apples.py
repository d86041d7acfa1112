"""Rides that do not fit the others: named with what sets them apart, and left out."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import LeftOutRide
from canassist.stats import spread_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import RideFigures

APART: Final = 6.0
"""Robust z-score beyond which a ride stands apart: one honest ride in many millions does."""

RIDES_LEAST: Final = 5
"""Among fewer rides nobody can tell which of them is the odd one."""

FLOOR: Final = {
    "path_ohm": (0.003, "supply path resistance", "ohm"),
    "rest_torque_nm": (0.05, "driver torque at rest", "N·m"),
    "charging_v": (0.15, "charging voltage", "V"),
    "crank_v": (0.4, "lowest voltage while cranking", "V"),
    "side_difference": (0.03, "difference between left and right", "share"),
    "heat_gain_k_per_a2": (0.002, "heating per squared current", "K/A2"),
}
"""The spread is taken as at least this, so that sameness makes no outlier of a trifle."""

GAIN_FLOOR: Final = 0.06

OF_VEHICLE: Final = frozenset({"heat_gain_k_per_a2"})
"""Figures that hang on how a ride was ridden: a vehicle stands apart by them, no single ride."""

MOST_OF_A_VEHICLE: Final = 0.5


def sort_out(rides: Sequence[RideFigures]) -> tuple[list[RideFigures], list[LeftOutRide]]:
    """Part rides into those to learn from and those left out, each with its reason.

    A ride goes for the tool's own blame, then for a figure far from the others'. Where more
    than half of a vehicle's rides go, the vehicle goes whole: its other rides carry the same
    part.
    """
    why: dict[int, str] = {}
    for place, ride in enumerate(rides):
        if ride.reason:
            why[place] = ride.reason
        elif ride.blames:
            why[place] = f"its own answer is {ride.blames.replace('_', ' ')}"
    why |= _apart(rides, [place for place in range(len(rides)) if place not in why])
    _whole_vehicles(rides, why)
    kept = [ride for place, ride in enumerate(rides) if place not in why]
    gone = [
        LeftOutRide(log=rides[place].log, vehicle=rides[place].vehicle, why=why[place])
        for place in sorted(why)
    ]
    return kept, gone


def _apart(rides: Sequence[RideFigures], among: Sequence[int]) -> dict[int, str]:
    found: dict[int, str] = {}
    for name, (floor, words, unit) in _looked_at(rides).items():
        have = [place for place in among if name in rides[place].figures]
        values = {place: rides[place].figures[name] for place in have}
        if name in OF_VEHICLE:
            values = _of_vehicles(rides, values)
        if len(set(values.values()) if name in OF_VEHICLE else values) < RIDES_LEAST:
            continue
        middle, spread = spread_of(list(values.values()), floor)
        for place, value in values.items():
            if abs(value - middle) > APART * spread:
                text = f"{words} {value:.3g} {unit}, the others {middle:.3g} {unit}"
                found.setdefault(place, text)
    return found


def _looked_at(rides: Sequence[RideFigures]) -> dict[str, tuple[float, str, str]]:
    """Return the figures that rides are compared by; assist over torque mode by mode."""
    names = sorted({name for ride in rides for name in ride.figures if name.startswith("gain.")})
    gains = {
        name: (GAIN_FLOOR, f"assist over driver torque in mode {name[5:]}", "") for name in names
    }
    return {**FLOOR, **gains}


def _of_vehicles(rides: Sequence[RideFigures], values: dict[int, float]) -> dict[int, float]:
    """Give each ride its vehicle's median in place of its own figure."""
    by_vehicle: dict[str, list[float]] = defaultdict(list)
    for place, value in values.items():
        by_vehicle[rides[place].vehicle].append(value)
    return {place: float(np.median(by_vehicle[rides[place].vehicle])) for place in values}


def _whole_vehicles(rides: Sequence[RideFigures], why: dict[int, str]) -> None:
    by_vehicle: dict[str, list[int]] = defaultdict(list)
    for place, ride in enumerate(rides):
        if not ride.reason:
            by_vehicle[ride.vehicle].append(place)
    for vehicle, places in by_vehicle.items():
        gone = [place for place in places if place in why]
        if len(gone) > MOST_OF_A_VEHICLE * len(places):
            for place in places:
                why.setdefault(place, f"most rides of {vehicle} were left out ({why[gone[0]]})")
