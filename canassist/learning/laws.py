"""Everything that is learned, one law a line: found with its sources, or openly missing."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canassist.learning.assist_maps import assist_map
from canassist.learning.curves import (
    REDUCED_PCT,
    beside_speed,
    first_reduced,
    last_reduced,
    law,
    miss,
    speed_law,
)
from canassist.learning.fleet import bound, middle, points_of
from canassist.learning.further import further_laws
from canassist.learning.measure import REGULATED_V
from canassist.model import LearnedFigure, LearnedLaw, Protection

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.learning.curves import Curve
    from canassist.model import LawPoint, Profile, RideFigures

HYSTERESIS_LEAST: Final = {"hysteresis_k": 1.0, "hysteresis_v": 0.15}
"""In K and V (nominal 12 V); less is within the width of a band."""

OFF_PCT: Final = 5.0
"""A status word that stands with less assist than this means that there is none."""

FED_V: Final = 13.4
"""Without an engine, a converter feeds a supply that stands as high as this while rolling; lead
batteries rest below 12.8 V, lithium ones below 13.4 V (nominal 12 V; common practice)."""

SHOWN_LEAST: Final = 2
"""What the module does seldom takes this many rides that show it."""

AS_GOOD: Final = 1.3
AS_GOOD_PCT: Final = 0.5
"""Two laws whose misses differ by less than this factor and this much are told apart by nothing."""

SENSOR_SHARE: Final = 0.10
"""Gain errors of current sensors are 2 to 10 % (common practice, no source)."""

HANDS_OFF_NM: Final = 0.2
"""Torque with the hands off may be this much (one public interface requirement)."""


@dataclass(slots=True)
class ProfileInWork:
    """A profile on its way, and the lines of the sheet."""

    profile: Profile
    laws: list[LearnedLaw] = field(default_factory=list)

    def limit(self, name: str, line: LearnedLaw) -> None:
        """Take a limit, and its source."""
        self.laws.append(replace(line, name=f"limits.{name}"))
        if line.figure is not None and isinstance(line.figure.value, float):
            full = f"limits.{name}"
            self.profile = replace(
                self.profile,
                limits=replace(self.profile.limits, **{name: line.figure.value}),
                given=self.profile.given | {full},
                learned={**self.profile.learned, full: line.figure},
            )

    def source(self, name: str, line: LearnedLaw) -> None:
        """Take a figure that has no place of its own but its source."""
        self.laws.append(line)
        if line.figure is not None:
            self.profile = replace(
                self.profile, learned={**self.profile.learned, name: line.figure}
            )

    def put(self, **parts: Any) -> None:  # noqa: ANN401 - fields of a profile
        """Set parts of the profile."""
        self.profile = replace(self.profile, **parts)


def learn_laws(rides: Sequence[RideFigures], start: Profile) -> ProfileInWork:
    """Learn all laws and figures from rides that fit each other."""
    work = ProfileInWork(profile=start)
    _nominal(work, rides)
    _protection(work, rides)
    _limits(work, rides)
    _supply(work, rides)
    assist_map(work, rides)
    for name, words, unit, missing in _SOURCES:
        figure = middle(rides, name, unit)
        work.source(name, _line(rides, name, words, unit, figure, "comparison", missing))
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
        _told(work, rides, "vehicle.nominal_v", f"{nominal_v:g} V")
        work.put(nominal_v=nominal_v)


_SOURCES: Final = (
    ("side_difference", "Difference between left and right", "share", "slow turns, both sides"),
    ("return_nm", "Assist towards the centre, hands off", "N·m", "turns let go at speed"),
    ("assist_lag_s", "Delay from driver torque to assist", "s", "slow turns, both sides"),
    ("heat_tau_s", "Time constant of heating", "s", "ten minutes of hard slow turns"),
    ("heat_gain_k_per_a2", "Heating per squared current", "K/A2", "ten minutes of hard turns"),
    ("effort_p90_nm", "Driver torque in slow steering", "N·m", "slow turns at full assist"),
)


def _line(  # noqa: PLR0913, PLR0917 - a line of the sheet has these columns
    rides: Sequence[RideFigures],
    name: str,
    words: str,
    unit: str,
    figure: LearnedFigure | None,
    use: str,
    missing: str,
) -> LearnedLaw:
    return LearnedLaw(
        name=name,
        words=words,
        unit=unit,
        figure=figure,
        use=use,
        missing="" if figure is not None else missing,
        x_words="ride",
        points=points_of(rides, name),
    )


_CURVES: Final = (
    ("temperature", "degC", "Assist left by module temperature", "a ride until it derates hot"),
    ("supply", "V", "Assist left by supply", "a ride with the supply low, as by a winch"),
)


def _protection(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    curves: dict[str, Any] = dict(_speed_law(work, rides))  # Any: fields of Protection
    speeds = {name: curve for name, curve in curves.items() if curve}
    by_speed = bool(curves)
    for quantity, unit, words, missing in _CURVES:
        own = beside_speed(rides, quantity, speeds) if by_speed else rides
        curve, figure, points = law(own, quantity, rises=quantity == "supply")
        _curve_line(work, quantity, unit, words, missing, figure, points)
        if figure is not None:
            curves[quantity] = curve
            _start_of(work, curve, figure, _STARTS[quantity])
            _hysteresis(work, [] if by_speed else rides, quantity, curves)
    ramp = None if by_speed else middle(rides, "start_ramp_s", "s")
    missing = "a start recorded from key-on, with nothing else that reduces assist"
    work.source(
        "protection.start_ramp_s",
        _line(rides, "start_ramp_s", "From start to full assist", "s", ramp, "starts", missing),
    )
    if ramp is not None:
        curves["start_ramp_s"] = ramp.value
    if sum("return_nm" in ride.figures for ride in rides) >= SHOWN_LEAST:
        curves["returns_to_center"] = True
    if _agreed(rides, "reduced_by_duty"):
        curves["duty_rule"] = True
    if _agreed(rides, "latches_supply"):
        curves["latches"] = work.profile.protection.latches | {"supply"}
    if curves:
        parts = {f"protection.{name}" for name in curves}
        work.put(
            protection=replace(work.profile.protection or Protection(), **curves),
            given=work.profile.given | parts,
        )


def _agreed(rides: Sequence[RideFigures], name: str) -> bool:
    """Tell whether two rides or more showed it, and more showed it than not."""
    seen = [ride.figures[name] for ride in rides if name in ride.figures]
    return sum(seen) >= SHOWN_LEAST and sum(seen) > len(seen) / 2


def _curve_line(  # noqa: PLR0913, PLR0917 - a line of the sheet has these columns
    work: ProfileInWork,
    quantity: str,
    unit: str,
    words: str,
    missing: str,
    figure: LearnedFigure | None,
    points: tuple[LawPoint, ...],
) -> None:
    line = LearnedLaw(
        name=f"protection.{quantity}",
        words=words,
        unit="%",
        figure=figure,
        use="when a reduction is as designed",
        missing="" if figure else missing,
        x_words=unit,
        points=points,
    )
    work.source(line.name, line)


def _hysteresis(
    work: ProfileInWork, rides: Sequence[RideFigures], quantity: str, curves: dict[str, Any]
) -> None:
    """Take how far a curve lies moved on the way back, where that is more than a band."""
    name, unit = ("hysteresis_k", "K") if quantity == "temperature" else ("hysteresis_v", "V")
    figure = middle(rides, name, unit)
    words, missing = f"Moved on the way back, by {quantity}", "a slow way back to full assist"
    line = _line(rides, name, words, unit, figure, "laws", missing)
    work.source(f"protection.{name}", line)
    least = HYSTERESIS_LEAST[name] * (work.profile.nominal_v / 12.0 if unit == "V" else 1.0)
    if figure is not None and isinstance(figure.value, float) and figure.value > least:
        curves[name] = figure.value


def _speed_law(work: ProfileInWork, rides: Sequence[RideFigures]) -> dict[str, Curve]:
    """Take the law of road or of engine speed, whichever tells the limits more closely.

    Both speeds rise together, so a law of one looks like a law of the other. Where the rides
    cannot tell them apart, both stand: under such riding they say the same.
    """
    found = {}
    for quantity, unit in (("road_speed", "km/h"), ("engine_speed", "rpm")):
        curve, figure, points = speed_law(rides, quantity)
        found[quantity] = (curve, figure, points, unit)
    errors = {
        quantity: miss(rides, quantity, curve)
        for quantity, (curve, figure, _, _) in found.items()
        if figure is not None
    }
    least = min(errors.values(), default=0.0)
    held = {name for name, error in errors.items() if error <= least * AS_GOOD + AS_GOOD_PCT}
    for quantity, (_, figure, points, unit) in found.items():
        words = f"Assist left by {quantity.replace('_', ' ')}"
        missing = "" if quantity in held else "no reduction that follows this speed was ridden"
        shown = figure if quantity in held else None
        _curve_line(work, quantity, unit, words, missing, shown, points)
    return {quantity: found[quantity][0] for quantity in found if quantity in held}


_STARTS: Final = {"temperature": "derate_start_c", "supply": "derate_start_v"}


def _start_of(work: ProfileInWork, curve: Curve, figure: LearnedFigure, limit: str) -> None:
    """Note who stands behind the limit that a curve gives: the profile tells it by the curve."""
    start = first_reduced(curve) if limit.endswith("_c") else last_reduced(curve)
    unit = "degC" if limit.endswith("_c") else "V"
    source = replace(figure, value=start, low=start, high=start, unit=unit, by="")
    work.put(learned={**work.profile.learned, f"limits.{limit}": source})
    if unit == "V":
        words, use = "Supply below which assist falls", "undervoltage"
        line = LearnedLaw(name=limit, words=words, unit=unit, figure=source, use=use)
        work.limit("undervoltage_v", line)


def _limits(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    volts = work.profile.nominal_v / 12.0
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
        _line(rides, "path_ohm", words, "ohm", path, "supply resistance", missing),
    )
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
        _line(rides, "rest_torque_nm", words, "N·m", rest, "torque offset", missing),
    )
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
    work.limit("charging_v", _line(rides, source, words, "V", charging, "charging", missing))
    if rolling is not None and source == "rolling_v":
        feed = "dcdc" if fed else "battery"
        have = [ride for ride in rides if source in ride.figures]
        _told(work, have, "supply.source", feed)
        work.put(supply=replace(work.profile.supply, source=feed))
    crank = bound(
        rides, "crank_v", "V", side="lower", least=6.0 * volts, most=11.5 * volts, room=volts
    )
    missing = "a start of the engine, recorded from key-on"
    words = "Lowest voltage while cranking"
    work.limit("cranking_v", _line(rides, "crank_v", words, "V", crank, "battery", missing))


def _supply(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    have = [ride for ride in rides if "charging_moves_v" in ride.figures]
    if not have:
        return
    moves = [ride.figures["charging_moves_v"] for ride in have]
    regulated = float(np.median(moves)) > REGULATED_V
    _told(work, have, "supply.source", "alternator")
    _told(work, have, "supply.regulated", "yes" if regulated else "no")
    work.put(supply=replace(work.profile.supply, source="alternator", regulated=regulated))


def _told(work: ProfileInWork, rides: Sequence[RideFigures], name: str, word: str) -> None:
    """Note who stands behind a word of the profile."""
    vehicles = len({ride.vehicle for ride in rides})
    figure = LearnedFigure(value=word, rides=len(rides), vehicles=vehicles)
    learned = {**work.profile.learned, name: figure}
    work.put(learned=learned, given=work.profile.given | {name})
