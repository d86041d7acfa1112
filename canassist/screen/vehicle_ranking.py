"""How suspicious a vehicle is: by what its rides blame, and by how far its figures are out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from canassist.model import BlamedPart, Code, ScreenFigure

if TYPE_CHECKING:
    from canassist.model import Standing

Z_LIMIT: Final = 3.5
"""Robust z-score from which a vehicle stands apart (Iglewicz and Hoaglin 1993, from memory)."""

USUAL_Z: Final = 1.5
"""Below this a figure is like those of the other vehicles (our choice)."""

MOST_FIGURE_POINTS: Final = 4.0
"""A figure further out than four limits says no more: it may be a reading gone wrong."""

STRENGTH_POINTS: Final[Mapping[str, float]] = MappingProxyType(
    {"strong": 4.0, "moderate": 2.5, "weak": 0.8}
)
"""What a blame counts where every ride shows it (our choice); a suspicion alone flags nothing."""

ALIKE: Final = 0.5
"""Share that a blame keeps where the figure that would show it is as on all other vehicles."""

FURTHER: Final = 0.3
"""Share that each further reason adds to the heaviest: they are seldom independent."""


@dataclass(frozen=True, slots=True)
class Way:
    """What a figure is called, and which side of the others is bad.

    ``bad`` is +1 where high is bad, -1 where low is, 0 for both, None where neither is: such a
    figure is shown and ranks nobody. ``floor`` is the spread of sound vehicles and of the
    estimate itself, at least (our choice).
    """

    words: str
    bad: int | None
    floor: float


WAYS: Final[Mapping[ScreenFigure, Way]] = MappingProxyType(
    {
        ScreenFigure.PATH_OHM: Way("Supply path resistance", +1, 0.003),
        ScreenFigure.CHARGING_V: Way("Charging voltage", 0, 0.15),
        ScreenFigure.OFFSET_NM: Way("Driver torque at rest", 0, 0.05),
        ScreenFigure.ASSIST_SHARE: Way("Assist given of what the map calls for", 0, 0.03),
        ScreenFigure.SIDE_SHARE: Way("Assist right against left", 0, 0.03),
        ScreenFigure.DERATE_S_PER_SLOW_MIN: Way(
            "Reduced assist per minute of slow steering, not as designed", +1, 1.0
        ),
        ScreenFigure.HEAT_S_PER_SLOW_MIN: Way(
            "Reduced by heat or duty as designed, per minute of slow steering", None, 3.0
        ),
        ScreenFigure.ONSET_C: Way("Module temperature where heat derating began", -1, 2.0),
    }
)

SHOWN_BY: Final[Mapping[str, tuple[ScreenFigure, ...]]] = MappingProxyType(
    {
        str(Code.SUPPLY_RESISTANCE): (ScreenFigure.PATH_OHM,),
        str(Code.CHARGING_FAULT): (ScreenFigure.CHARGING_V,),
        str(Code.OVERVOLTAGE_FAULT): (ScreenFigure.CHARGING_V,),
        str(Code.TORQUE_SENSOR_OFFSET): (ScreenFigure.OFFSET_NM,),
        str(Code.ASSIST_MAP_DEVIATION): (ScreenFigure.ASSIST_SHARE, ScreenFigure.SIDE_SHARE),
        str(Code.MODULE_SUSPECT): (
            ScreenFigure.DERATE_S_PER_SLOW_MIN,
            ScreenFigure.ONSET_C,
            ScreenFigure.ASSIST_SHARE,
        ),
    }
)
"""Figures that a blamed part moves: where all vehicles show the same, it is no fault of one."""


def suspicion(blamed: Sequence[BlamedPart], standings: Sequence[Standing], rides: int) -> float:
    """Return how far and how surely a vehicle is out; 1 and more wants looking at.

    A blame counts by its strength and by the share of rides that show it; one that comes and
    goes still counts half. It keeps half where the figures that would show it lie among those
    of the other vehicles. A figure counts 1 at the limit from which it stands apart.
    """
    by_figure = {item.figure: item for item in standings}
    reasons = [_figure_points(item) for item in standings]
    reasons += [_blame_points(item, by_figure, rides) for item in blamed]
    heaviest = max(reasons, default=0.0)
    return heaviest + FURTHER * (sum(reasons) - heaviest)


def _figure_points(item: Standing) -> float:
    return min(abs(item.z or 0.0) / Z_LIMIT, MOST_FIGURE_POINTS) if item.outlier else 0.0


def _blame_points(
    item: BlamedPart, by_figure: Mapping[ScreenFigure, Standing], rides: int
) -> float:
    points = STRENGTH_POINTS[item.strength] * (0.5 + 0.5 * item.rides / max(rides, 1))
    showing = [by_figure[name] for name in SHOWN_BY.get(item.code, ()) if name in by_figure]
    known = [abs(one.z) for one in showing if one.z is not None]
    return points * ALIKE if known and max(known) < USUAL_Z else points
