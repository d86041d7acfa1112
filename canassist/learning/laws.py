"""Everything that is learned, one law a line: found with its sources, or openly missing."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.learning.assist_maps import assist_map
from canassist.learning.curves import REDUCED_PCT
from canassist.learning.fleet import bound, middle
from canassist.learning.further import further_laws
from canassist.learning.measure import REGULATED_V
from canassist.learning.profile_in_work import ProfileInWork, sheet_line, told
from canassist.learning.protection_laws import protection_laws

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import Profile, RideFigures

OFF_PCT: Final = 5.0
"""A status word that stands with less assist than this means that there is none."""

FED_V: Final = 13.4
"""Without an engine, a converter feeds a supply that stands as high as this while rolling; lead
batteries rest below 12.8 V, lithium ones below 13.4 V (nominal 12 V; common practice)."""

SENSOR_SHARE: Final = 0.10
"""Gain errors of current sensors are 2 to 10 % (common practice, no source)."""

HANDS_OFF_NM: Final = 0.2
"""Torque with the hands off may be this much (one public interface requirement)."""


def learn_laws(rides: Sequence[RideFigures], start: Profile) -> ProfileInWork:
    """Learn all laws and figures from rides that fit each other."""
    work = ProfileInWork(profile=start)
    _nominal(work, rides)
    protection_laws(work, rides)
    _limits(work, rides)
    _supply(work, rides)
    assist_map(work, rides)
    for name, words, unit, missing in _SOURCES:
        figure = middle(rides, name, unit)
        work.source(name, sheet_line(rides, name, words, unit, figure, "comparison", missing))
    for line in further_laws(rides):
        work.source(line.name, line)
    _status(work)
    return work


def _status(work: ProfileInWork) -> None:
    """Take the words that stood with reduced or no assist, where the profile names none."""
    if work.profile.status_reduced or work.profile.status_off:
        return
    limits = {
        name.removeprefix("status."): figure.value
        for name, figure in work.profile.learned.items()
        if name.startswith("status.") and isinstance(figure.value, float)
    }
    off = frozenset(word for word, pct in limits.items() if pct <= OFF_PCT)
    reduced = frozenset(word for word, pct in limits.items() if pct < REDUCED_PCT) - off
    if off or reduced:
        work.put(status_reduced=reduced, status_off=off)


def _nominal(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    """Take the nominal supply where it is not that of a 12 V system; limits in V follow it."""
    seen = [ride.figures["nominal_v"] for ride in rides if "nominal_v" in ride.figures]
    nominal_v = float(np.median(seen)) if seen else work.profile.nominal_v
    if "vehicle.nominal_v" not in work.profile.given and nominal_v in {24.0, 48.0}:
        told(work, rides, "vehicle.nominal_v", f"{nominal_v:g} V")
        work.put(nominal_v=nominal_v)


_SOURCES: Final = (
    ("side_difference", "Difference between left and right", "share", "slow turns, both sides"),
    ("return_nm", "Assist towards the centre, hands off", "N·m", "turns let go at speed"),
    ("assist_lag_s", "Delay from driver torque to assist", "s", "slow turns, both sides"),
    ("heat_tau_s", "Time constant of heating", "s", "ten minutes of hard slow turns"),
    ("heat_gain_k_per_a2", "Heating per squared current", "K/A2", "ten minutes of hard turns"),
    ("effort_p90_nm", "Driver torque in slow steering", "N·m", "slow turns at full assist"),
)


def _limits(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    """Learn the limits of path, rest torque, charging and cranking."""
    volts = work.profile.nominal_v / 12.0
    _path_limit(work, rides)
    _rest_limit(work, rides)
    _charging_limit(work, rides, volts)
    crank = bound(
        rides, "crank_v", "V", side="lower", least=6.0 * volts, most=11.5 * volts, room=volts
    )
    missing = "a start of the engine, recorded from key-on"
    words = "Lowest voltage while cranking"
    work.limit("cranking_v", sheet_line(rides, "crank_v", words, "V", crank, "battery", missing))


def _path_limit(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    path = bound(
        rides,
        "path_ohm",
        "ohm",
        side="upper",
        least=0.005,
        most=0.5,
        room=0.01,
        sensor_share=SENSOR_SHARE,
    )
    missing = "standing turns with module current and system voltage on the bus"
    words = "Supply path, wiring and grounds"
    work.limit(
        "max_circuit_ohm",
        sheet_line(rides, "path_ohm", words, "ohm", path, "supply resistance", missing),
    )


def _rest_limit(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    rest = bound(
        rides,
        "rest_torque_nm",
        "N·m",
        side="upper",
        least=HANDS_OFF_NM,
        most=2.0,
        room=0.2,
        size_only=True,
    )
    missing = "60 s straight ahead, hands off"
    words = "Driver torque at rest"
    work.limit(
        "torque_offset_nm",
        sheet_line(rides, "rest_torque_nm", words, "N·m", rest, "torque offset", missing),
    )


def _charging_limit(work: ProfileInWork, rides: Sequence[RideFigures], volts: float) -> None:
    """Learn the charging voltage, or what feeds the supply where no engine speed is known."""
    source = "charging_v" if any("charging_v" in ride.figures for ride in rides) else "rolling_v"
    rolling = middle(rides, source, "V")
    fed = source == "charging_v" or (
        rolling is not None and isinstance(rolling.value, float) and rolling.value >= FED_V * volts
    )
    charging = bound(
        rides if fed else [],
        source,
        "V",
        side="lower",
        least=12.4 * volts,
        most=15.0 * volts,
        room=0.5 * volts,
    )
    missing = "40 s above charging speed of the engine"
    words = "Charging voltage at the module"
    work.limit("charging_v", sheet_line(rides, source, words, "V", charging, "charging", missing))
    if rolling is not None and source == "rolling_v":
        feed = "dcdc" if fed else "battery"
        have = [ride for ride in rides if source in ride.figures]
        told(work, have, "supply.source", feed)
        work.put(supply=replace(work.profile.supply, source=feed))


def _supply(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    have = [ride for ride in rides if "charging_moves_v" in ride.figures]
    if not have:
        return
    moves = [ride.figures["charging_moves_v"] for ride in have]
    regulated = float(np.median(moves)) > REGULATED_V
    told(work, have, "supply.source", "alternator")
    told(work, have, "supply.regulated", "yes" if regulated else "no")
    work.put(supply=replace(work.profile.supply, source="alternator", regulated=regulated))
