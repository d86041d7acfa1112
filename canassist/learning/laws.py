"""Everything that is learned, one law a line: found with its sources, or openly missing."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canassist.learning.curves import first_reduced, last_reduced, law
from canassist.learning.fleet import bound, middle, points_of
from canassist.learning.measure import REGULATED_V
from canassist.model import AssistMap, LearnedFigure, LearnedLaw, Protection, SupplySpec

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.learning.curves import Curve
    from canassist.model import Profile, RideFigures

HYSTERESIS_LEAST_K: Final = 1.0
"""Less is within the width of a band."""

SENSOR_SHARE: Final = 0.10
"""Gain errors of current sensors are 2 to 10 % (common practice, no source)."""

HANDS_OFF_NM: Final = 0.2
"""Torque with the hands off may be this much (one public interface requirement)."""

GRID_KPH: Final = (0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0)
"""Road speeds at which an assist map is told, as far as it was ridden."""

DEADBAND_NM: Final = 0.5
MOST_ASSIST_NM: Final = 40.0
"""What a map has where no ride shows it: the profile's own defaults."""


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
    _protection(work, rides)
    _limits(work, rides)
    _supply(work, rides)
    _assist(work, rides)
    for name, words, unit, missing in _SOURCES:
        figure = middle(rides, name, unit)
        work.source(name, _line(rides, name, words, unit, figure, "comparison", missing))
    return work


_SOURCES: Final = (
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


def _protection(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    curves: dict[str, Any] = {}  # Any: fields of Protection
    for quantity, rises, words, missing in (
        ("temperature", False, "Assist left by module temperature", "a ride until it derates hot"),
        ("supply", True, "Assist left by supply", "a ride with the supply low, as when cranking"),
    ):
        curve, figure, points = law(rides, quantity, rises=rises)
        name = f"protection.{quantity}"
        shown = LearnedLaw(
            name=name,
            words=words,
            unit="%",
            figure=figure,
            use="when a reduction is as designed",
            missing="" if figure else missing,
            x_words="degC" if quantity == "temperature" else "V",
            points=points,
        )
        work.source(name, shown)
        if figure is not None:
            curves[quantity] = curve
            _start_of(work, curve, figure, _STARTS[quantity])
    back = middle(rides, "back_at_full_c", "degC")
    if "temperature" in curves and back is not None and isinstance(back.value, float):
        below = first_reduced(curves["temperature"]) - back.value
        if below > HYSTERESIS_LEAST_K:
            curves["hysteresis_k"] = round(below, 1)
    ramp = middle(rides, "start_ramp_s", "s")
    missing = "a start of the engine, recorded from key-on"
    work.source(
        "protection.start_ramp_s",
        _line(rides, "start_ramp_s", "From start to full assist", "s", ramp, "starts", missing),
    )
    if ramp is not None:
        curves["start_ramp_s"] = ramp.value
    if curves:
        parts = {f"protection.{name}" for name in curves}
        work.put(
            protection=replace(work.profile.protection or Protection(), **curves),
            given=work.profile.given | parts,
        )


_STARTS: Final = {"temperature": "derate_start_c", "supply": "derate_start_v"}


def _start_of(work: ProfileInWork, curve: Curve, figure: LearnedFigure, limit: str) -> None:
    """Note who stands behind the limit that a curve gives: the profile tells it by the curve."""
    start = first_reduced(curve) if limit.endswith("_c") else last_reduced(curve)
    unit = "degC" if limit.endswith("_c") else "V"
    source = replace(figure, value=start, low=start, high=start, unit=unit, by="")
    work.put(learned={**work.profile.learned, f"limits.{limit}": source})


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
    charging = bound(
        rides,
        "charging_v",
        "V",
        side="lower",
        least=12.4 * volts,
        most=15.0 * volts,
        room=0.5 * volts,
    )
    missing = "40 s above charging speed of the engine"
    words = "Charging voltage at the module"
    work.limit("charging_v", _line(rides, "charging_v", words, "V", charging, "charging", missing))
    crank = bound(
        rides, "crank_v", "V", side="lower", least=6.0 * volts, most=11.5 * volts, room=volts
    )
    missing = "a start of the engine, recorded from key-on"
    words = "Lowest voltage while cranking"
    work.limit("cranking_v", _line(rides, "crank_v", words, "V", crank, "battery", missing))


def _supply(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    moves = [
        ride.figures["charging_moves_v"] for ride in rides if "charging_moves_v" in ride.figures
    ]
    if not moves:
        return
    regulated = float(np.median(moves)) > REGULATED_V
    given = {"supply.source", "supply.regulated"}
    work.put(
        supply=SupplySpec(
            source="alternator", regulated=regulated, battery=work.profile.supply.battery
        ),
        given=work.profile.given | given,
    )


def _assist(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    have = [ride for ride in rides if ride.gains]
    tables = [np.array(table) for ride in have for table in ride.gains.values() if table]
    low = max((table[:, 0].min() for table in tables), default=0.0)
    high = min((table[:, 0].max() for table in tables), default=0.0)
    speeds = [speed for speed in GRID_KPH if low <= speed <= high]
    figure = None
    if len(speeds) > 1:
        modes = sorted({mode for ride in have for mode in ride.gains})
        gains = {mode: tuple(_gains_at(have, mode, speeds)) for mode in modes}
        figure = LearnedFigure(
            value="by speed and mode",
            rides=len(have),
            vehicles=len({ride.vehicle for ride in have}),
        )
        if gains:
            work.put(
                assist_map=AssistMap(
                    speed_kph=tuple(speeds),
                    gains=gains,
                    driver_deadband_nm=_median(have, "driver_deadband_nm", DEADBAND_NM),
                    max_assist_nm=_median(have, "max_assist_nm", MOST_ASSIST_NM),
                ),
                given=work.profile.given | {"assist_map"},
            )
    work.source(
        "assist_map",
        LearnedLaw(
            name="assist_map",
            words="Assist over driver torque by road speed",
            unit="-",
            figure=figure,
            use="assist deviation",
            missing="" if figure else "slow turns and cruising, in every mode",
        ),
    )


def _median(rides: Sequence[RideFigures], name: str, otherwise: float) -> float:
    have = [ride.figures[name] for ride in rides if name in ride.figures]
    return round(float(np.median(have)), 3) if have else otherwise


def _gains_at(rides: Sequence[RideFigures], mode: str, speeds: Sequence[float]) -> list[float]:
    """Return the median over rides of a mode's gain at each speed."""
    rows = []
    for ride in rides:
        if ride.gains.get(mode):
            speed, gain = np.array(ride.gains[mode]).T
            rows.append(np.interp(speeds, speed, gain))
    return [round(float(value), 3) for value in np.median(np.array(rows), axis=0)]
