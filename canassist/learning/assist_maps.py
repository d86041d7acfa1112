"""The assist map by road speed and mode, from the maps that single rides show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import AssistMap, LearnedFigure, LearnedLaw

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.learning.profile_in_work import ProfileInWork
    from canassist.model import FloatArray, RideFigures

GRID_KPH: Final = (0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0)
"""Road speeds at which an assist map is told, as far as it was ridden."""

EVERY_MODE: Final = "*"
RIDES_LEAST: Final = 2
"""A gain takes so many rides that show it, where there are so many."""

DEADBAND_NM: Final = 0.5
MOST_ASSIST_NM: Final = 40.0
"""What a map has where no ride shows it: the profile's own defaults."""


def assist_map(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    """Learn gains by speed and mode, deadband and the greatest assist."""
    have = [ride for ride in rides if ride.gains]
    shown = [EVERY_MODE] if any(EVERY_MODE in ride.gains for ride in have) else _modes(have)
    speeds = [speed for speed in GRID_KPH if all(_covers(have, mode, speed) for mode in shown)]
    figure = None
    if shown and len(speeds) > 1:
        figure = LearnedFigure(
            value="by speed and mode",
            rides=len(have),
            vehicles=len({ride.vehicle for ride in have}),
        )
        base = _gains_at(have, shown[0], speeds)
        named = [mode for mode in _modes(have) if mode != EVERY_MODE]
        # A mode that nobody rode is left out: the others' gains would make a fault of it.
        gains = {mode: _gains_of(have, mode, speeds, base) for mode in named or [EVERY_MODE]}
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


def _modes(rides: Sequence[RideFigures]) -> list[str]:
    return sorted({mode for ride in rides for mode, table in ride.gains.items() if table})


def _at(ride: RideFigures, mode: str, speed_kph: float) -> float:
    """Return a ride's gain; NaN where the ride does not show it."""
    table = ride.gains.get(mode)
    if not table:
        return float("nan")
    speed, gain = np.array(table).T
    return float(np.interp(speed_kph, speed, gain, left=np.nan, right=np.nan))


def _covers(rides: Sequence[RideFigures], mode: str, speed_kph: float) -> bool:
    """Tell whether two rides or more show a gain, or one of those few that show any."""
    shown = sum(not np.isnan(_at(ride, mode, speed_kph)) for ride in rides)
    return shown >= min(RIDES_LEAST, len(rides)) > 0


def _gains_at(rides: Sequence[RideFigures], mode: str, speeds: Sequence[float]) -> FloatArray:
    """Return the median over the rides that show it of a mode's gain; NaN where none does."""
    found = np.full(len(speeds), np.nan)
    for place, speed in enumerate(speeds):
        row = np.array([_at(ride, mode, speed) for ride in rides])
        if not np.isnan(row).all():
            found[place] = np.nanmedian(row)
    return found


def _gains_of(
    rides: Sequence[RideFigures], mode: str, speeds: Sequence[float], base: FloatArray
) -> tuple[float, ...]:
    """Return a mode's gains; where it was not ridden, it differs from all modes as elsewhere."""
    gain = _gains_at(rides, mode, speeds)
    share = np.nanmedian(gain / base) if not np.isnan(gain).all() else 1.0
    return tuple(np.where(np.isnan(gain), share * base, gain).round(3).tolist())
