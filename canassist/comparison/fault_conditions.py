"""In which riding a fault that comes now and then was seen, and how long each side rode so."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.timeline import value_at, with_known_units

if TYPE_CHECKING:
    from canassist.comparison.measured_figure import Side
    from canassist.model import BoolArray, Event, FloatArray, Result

STEP_S: Final = 0.5
"""How finely riding is looked at."""

RUNNING_RPM: Final = 500.0
"""Below this the engine does not run."""


class _Condition(NamedTuple):
    """A channel that may decide whether a fault comes; onsets are widened by `reach`."""

    words: str
    unit: str
    reach: float
    magnitude: bool = False


CONDITIONS: Final = {
    "module_temperature": _Condition("module", "°C", 10.0),
    "vehicle_speed": _Condition("road speed", "km/h", 10.0),
    "driver_torque": _Condition("driver torque", "N·m", 2.0, magnitude=True),
}
"""What is matched, and how far beside the onsets seen still counts as like (our choice)."""

Band = tuple[float, float]


@dataclass(frozen=True, slots=True)
class FaultConditions:
    """The bands of riding in which a fault's occasions on one side began."""

    bands: dict[str, Band]

    @classmethod
    def of(cls, side: Side, is_shown: Callable[[Event], bool]) -> FaultConditions:
        """Return the bands that hold every onset; a channel that one onset lacks gives none."""
        shown = [event for result in side for event in result.events if is_shown(event)]
        bands = {}
        for name, condition in CONDITIONS.items():
            at = np.array([event.channels_then.get(name, np.nan) for event in shown])
            if not len(at) or not np.isfinite(at).all():
                continue
            at = np.abs(at) if condition.magnitude else at
            top = np.inf if condition.magnitude else float(at.max()) + condition.reach
            bands[name] = (float(at.min()) - condition.reach, top)
        return cls({name: band for name, band in bands.items() if _says_something(name, band)})

    @property
    def words(self) -> str:
        """The bands in words; empty where any riding counts."""
        said = []
        for name, (low, high) in self.bands.items():
            words, unit, *_ = CONDITIONS[name]
            least, most = f"{max(low, 0.0):.0f}", f"{high:.0f}"
            said.append(
                f"{words} {least} to {most} {unit}"
                if np.isfinite(high)
                else f"{words} above {least} {unit}"
            )
        return f"under like conditions ({', '.join(said)})" if said else ""

    def ridden_s(self, side: Side) -> float:
        """Return how long a side rode so, with the engine running where there is one."""
        return sum(STEP_S * float(self._within(result).sum()) for result in side)

    def _within(self, result: Result) -> BoolArray:
        timeline = with_known_units(result.timeline)
        at_s: FloatArray = np.arange(0.0, timeline.duration_s, STEP_S)
        inside = ~(value_at(timeline, "engine_speed", at_s) < RUNNING_RPM)
        for name, (low, high) in self.bands.items():
            value = value_at(timeline, name, at_s)
            value = np.abs(value) if CONDITIONS[name].magnitude else value
            inside &= (value >= low) & (value <= high)
        return inside


def _says_something(name: str, band: Band) -> bool:
    """Leave out a band that any riding lies in."""
    return not (CONDITIONS[name].magnitude and band[0] <= 0.0)
