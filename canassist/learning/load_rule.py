"""Whether heat or accumulated motor load reduced assist: whichever tells the limit more closely."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.learning.limit_samples import FULL_PCT, limit_samples
from canassist.stats import falling
from canassist.timeline import value_at

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.learning.limit_samples import LimitSamples
    from canassist.model import FloatArray, Result

STEP_S: Final = 0.5
"""Limit, heat and load are compared in steps of this: windings take seconds to warm."""

TIME_CONSTANTS_S: Final = (10.0, 20.0, 40.0, 80.0, 160.0, 320.0)
"""Over which load squared is averaged (as the judge does; common practice, no source)."""

HYSTERESES_K: Final = (0.0, 3.0, 6.0, 9.0, 12.0)
"""On its way back a law of heat lies lower by one of these."""

LOAD: Final = ("motor_current", "module_current", "assist_torque")

BY_EITHER: Final = frozenset({"temperature", "duty", "unexplained", None})
REDUCED_LEAST_S: Final = 10.0
"""A reduction that lasts less shows neither."""

WARMER_K: Final = (5.0, 10.0, 20.0, 40.0)
"""A winding is so much warmer than the module's signal says where its load is great."""
GREAT_SHARE: Final = 0.95

CLOSER: Final = 0.6
MISS_PCT: Final = 3.0
"""Load is what rules where its miss is this much less than that of heat, heat misses by as much as
this and load by less: a module that is hot has worked hard, so where heat rules both tell it."""


def reduced_by_duty(result: Result) -> float | None:
    """Return 1 where load reduced assist, 0 where something else did, None for neither.

    The limit is held against temperature, with and without hysteresis, and against load
    squared, averaged with one time constant, alone and as what warms the winding above the
    temperature: each as the nearest law that falls.
    """
    causes = {str(event.cause) for event in result.events if event.kind == "derate"}
    ride = limit_samples(result)
    misses = None if ride is None else _misses(ride)
    if "duty" in causes:
        return 1.0
    if misses is None:
        return 0.0 if "unexplained" in causes else None
    by_heat, by_load = misses
    return float(by_heat >= MISS_PCT and by_load <= min(MISS_PCT, CLOSER * by_heat))


def _misses(ride: LimitSamples) -> tuple[float, float] | None:
    """Return how far the best law of heat and the best of load miss the limit, in %."""
    at_s = np.arange(ride.time_s[0], ride.time_s[-1], STEP_S)
    square = _squares(ride.result, at_s) if len(at_s) else None
    if square is None:
        return None
    heat_c = value_at(ride.result.timeline, "module_temperature", at_s)
    place = np.searchsorted(ride.time_s, at_s, side="right") - 1
    pct, free = ride.pct[place], ride.without(BY_EITHER)[place]
    use = free & np.isfinite(heat_c)
    if float((pct[use] < FULL_PCT).sum()) * STEP_S < REDUCED_LEAST_S:
        return None
    heats = (_held(heat_c, kelvin) for kelvin in HYSTERESES_K)
    by_heat = min(_miss(x[use], pct[use]) for x in heats)
    loads = (x for tau_s in TIME_CONSTANTS_S for x in _by_load(square, heat_c, tau_s))
    return by_heat, min(_miss(x[use], pct[use]) for x in loads)


def _by_load(square: FloatArray, heat_c: FloatArray, tau_s: float) -> Iterator[FloatArray]:
    """Give load averaged, alone and as what warms the winding."""
    load = _averaged(square, tau_s)
    yield load
    great = max(float(np.quantile(load, GREAT_SHARE)), np.finfo(float).tiny)
    for kelvin in WARMER_K:
        yield heat_c + kelvin * load / great


def _squares(result: Result, at_s: FloatArray) -> FloatArray | None:
    """Return the mean of load squared in each step; none where nothing was read."""
    channel = next((result.channels[name] for name in LOAD if name in result.channels), None)
    if channel is None:
        return None
    time_s, load = channel.valid()
    step = np.searchsorted(at_s, time_s, side="right") - 1
    inside = step >= 0
    total = np.bincount(step[inside], weights=load[inside] ** 2, minlength=len(at_s))
    count = np.bincount(step[inside], minlength=len(at_s))
    return np.asarray(total / np.maximum(count, 1))


def _averaged(square: FloatArray, tau_s: float) -> FloatArray:
    keep, level, found = float(np.exp(-STEP_S / tau_s)), 0.0, []
    for value in square.tolist():
        level = keep * level + (1.0 - keep) * value
        found.append(level)
    return np.array(found)


def _held(heat_c: FloatArray, kelvin: float) -> FloatArray:
    """Return the temperature as a law with this hysteresis follows it."""
    held, found = -np.inf, []
    for value in heat_c.tolist():
        if value == value:  # noqa: PLR0124 - NaN holds what was
            held = min(max(held, value), value + kelvin)
        found.append(held)
    return np.array(found)


def _miss(x: FloatArray, pct: FloatArray) -> float:
    """Return the root mean square by which the nearest falling law misses, in %."""
    order = np.argsort(x, kind="stable")
    level = pct[order]
    law = falling(level, np.ones(len(level)))
    reduced = (level < FULL_PCT) | (law < FULL_PCT)
    return float(np.sqrt(np.mean((level - law)[reduced] ** 2)))
