"""A ride's assist limit sample by sample, with the quantities that may rule it beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.timeline import seen_s, value_at, window_extremes

if TYPE_CHECKING:
    from canassist.model import BinnedLevel, BoolArray, FloatArray, Result

BAND: Final = {"temperature": 1.0, "supply": 0.1, "road_speed": 1.0, "engine_speed": 50.0}
"""Width of a band, in degC, V (for nominal 12 V), km/h and rpm."""

CHANNEL: Final = {
    "temperature": "module_temperature",
    "supply": "supply_voltage",
    "road_speed": "vehicle_speed",
    "engine_speed": "engine_speed",
}

FULL_PCT: Final = 98.0
STILL_S: Final = 0.3
"""Quantity and limit stand still where they keep to their ranges from so long before ..."""

STILL_AFTER_S: Final = 0.1
"""... until so long after ..."""

STILL_PCT: Final = 2.0
STILL_SUPPLY_PCT: Final = 3.5
STILL_BANDS: Final = {"supply": 1.5, "road_speed": 1.5, "engine_speed": 2.0}
"""... and these are the ranges, in % and in bands. A supply under load goes on falling slowly;
modules that lower their limit step by step do it by 12 % a second and more (own choice)."""


BY_STATE: Final = frozenset({"temperature", "voltage", "temperature+voltage", "unexplained", None})
"""What a reduction by a law of temperature or supply may have been called by the ride's judge."""


@dataclass(frozen=True, slots=True)
class LimitSamples:
    """The ride's assist limit, and for how long each sample stands."""

    result: Result
    time_s: FloatArray
    pct: FloatArray
    weight_s: FloatArray

    def value(self, quantity: str) -> FloatArray:
        """Return a quantity at each sample; NaN where it is not known."""
        channel = self.result.channels.get(CHANNEL[quantity])
        if channel is None or channel.stands_in or not channel.unit_known:
            return np.full(len(self.time_s), np.nan)
        return value_at(self.result.timeline, CHANNEL[quantity], self.time_s)

    def width(self, quantity: str) -> float:
        """Return how wide a band of a quantity is, in its own unit."""
        return BAND[quantity] * (self.volts_scale if quantity == "supply" else 1.0)

    @property
    def volts_scale(self) -> float:
        """Nominal supply over 12 V."""
        return nominal_v(self.result) / 12.0

    def without(self, kept_causes: frozenset[str | None], after_s: float = 0.0) -> BoolArray:
        """Leave out what other laws ruled: starts, lost inputs, reductions by other causes."""
        usable = np.ones(len(self.time_s), dtype=np.bool_)
        for event in self.result.events:
            foreign = event.kind in {"module_restart", "signal_loss", "signal_stuck"} or (
                event.kind == "derate" and event.cause not in kept_causes
            )
            if foreign:
                end_s = event.until(self.result.log.duration_s) + after_s
                usable &= (self.time_s < event.start_s) | (self.time_s >= end_s)
        return usable

    def still(self, quantity: str, x: FloatArray) -> BoolArray:
        """Tell where both quantity and limit stand still."""
        window = {"before_s": STILL_S, "after_s": STILL_AFTER_S}
        low, high = window_extremes(self.time_s, x, **window)
        least, most = window_extremes(self.time_s, self.pct, **window)
        near = high - low <= STILL_BANDS[quantity] * self.width(quantity)
        most_pct = STILL_SUPPLY_PCT if quantity == "supply" else STILL_PCT
        return np.asarray(near & (most - least <= most_pct))


def nominal_v(result: Result) -> float:
    """Return the nominal supply: the profile's, or what the ride's own voltage is nearest to."""
    channel = result.channels.get("supply_voltage")
    if "vehicle.nominal_v" in result.profile.given or channel is None or not channel.unit_known:
        return result.profile.nominal_v
    _, volts = channel.valid()
    usual = float(np.median(volts)) if len(volts) else 0.0
    return next((float(n) for n, least in ((48, 36.0), (24, 18.0)) if usual >= least), 12.0)


def limit_samples(result: Result) -> LimitSamples | None:
    """Return the samples of a ride's assist limit; None where the bus does not tell it."""
    channel = result.channels.get("assist_limit")
    if channel is None:
        return None
    time_s, pct = channel.valid()
    if len(time_s) < 2:  # noqa: PLR2004 - one sample lasts for no time
        return None
    weight_s = np.append(np.diff(seen_s(time_s, stale_after_s=channel.stale_after_s)), 0.0)
    return LimitSamples(result, time_s, pct, weight_s)


def first_level_reduced(levels: tuple[BinnedLevel, ...]) -> float:
    """Return the lowest x at which a ride shows less than full assist; infinite where none."""
    return min((item.x for item in levels if item.level_pct < FULL_PCT), default=float("inf"))
