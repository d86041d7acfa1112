"""How far the starter pulls the supply down, and how far it may: by plateau and temperature."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.physics import NOMINAL_V

if TYPE_CHECKING:
    from canassist.conclude.ride_findings import RideFindings
    from canassist.model import CrankFit

LOAD_TEST_C: Final = (-18.0, -12.0, -7.0, -1.0, 4.0, 10.0, 18.0, 20.0)
LOAD_TEST_V: Final = (8.5, 8.7, 8.9, 9.1, 9.3, 9.4, 9.5, 9.6)
"""What a good battery holds under a load test, by its temperature (service page; -18 °C is
drawn on from there). A starter asks about as much."""

INRUSH_S: Final = 0.3
"""Cranking is judged from this long after the starter engages (the contract's figure)."""

PLATEAU_SHARE: Final = 0.5
"""The plateau is the median: a cylinder's compression pulls single samples lower."""

DEAD_SHARE: Final = 0.4
"""A supply signal below this share of the nominal supply, with its sender alive, is no supply."""

LEAST_SAMPLES: Final = 3


class CrankLevel(NamedTuple):
    """One start: its plateau in V, the limit that it is held to, and where that is from."""

    crank: CrankFit
    plateau_v: float
    limit_v: float
    at_degc: float | None

    @property
    def low(self) -> bool:
        """Whether the plateau lies below its limit."""
        return self.plateau_v < self.limit_v


def crank_levels(ride: RideFindings) -> tuple[CrankLevel, ...]:
    """Return the starts that can be judged: long enough, with a supply that can be one."""
    channel = ride.timeline.get("supply_voltage")
    if channel is None or not ride.supply_holds("cranking_v"):
        return ()
    time_s, supply_v = channel.valid()
    found = []
    for crank in ride.physics.cranks:
        inside = (time_s >= crank.start_s + INRUSH_S) & (time_s < crank.end_s)
        level_v = crank.plateau_min_v
        if np.count_nonzero(inside) >= LEAST_SAMPLES:
            level_v = float(np.quantile(supply_v[inside], PLATEAU_SHARE))
        if level_v is None or level_v < DEAD_SHARE * NOMINAL_V * ride.volt_share:
            continue
        at_degc = _battery_degc(ride, crank.start_s)
        found.append(CrankLevel(crank, level_v, _limit_v(ride, at_degc), at_degc))
    return tuple(found)


def _battery_degc(ride: RideFindings, at_s: float) -> float | None:
    """Return the best guess of the battery's temperature at a start: ambient, else coolant."""
    for name in ("ambient_temperature", "coolant_temperature"):
        channel = ride.timeline.get(name)
        if channel is not None and not channel.doubt:
            time_s, value = channel.valid()
            if len(value):
                near = int(np.argmin(np.abs(time_s - at_s)))
                return float(value[near])
    return None


def _limit_v(ride: RideFindings, at_degc: float | None) -> float:
    """Return the limit: the profile's or default one, lowered in the cold as load tests are."""
    limit_v = ride.limits.cranking_v
    if at_degc is None:
        return limit_v
    allowed = float(np.interp(at_degc, LOAD_TEST_C, LOAD_TEST_V))
    return limit_v - ride.volt_share * (LOAD_TEST_V[-1] - allowed)
