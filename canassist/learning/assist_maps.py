"""The assist map by road speed and mode, from the maps that single rides show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import AssistMap, LearnedFigure, LearnedLaw

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.learning.profile_in_work import ProfileInWork
    from canassist.model import RideFigures

GRID_KPH: Final = (0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0)
"""Road speeds at which an assist map is told, as far as it was ridden."""

DEADBAND_NM: Final = 0.5
MOST_ASSIST_NM: Final = 40.0
"""What a map has where no ride shows it: the profile's own defaults."""


def assist_map(work: ProfileInWork, rides: Sequence[RideFigures]) -> None:
    """Learn gains by speed and mode, deadband and the greatest assist."""
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
