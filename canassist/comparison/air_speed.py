"""Air that cools the module: heat figures of two rides are alike only where it blew alike."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.comparison.measured_figure import Measured, NotComparable
from canassist.stats import t95
from canassist.timeline import value_at, with_known_units

if TYPE_CHECKING:
    from canassist.comparison.margins import Margin
    from canassist.comparison.measured_figure import Side
    from canassist.model import FloatArray, Result

DOUBLED_KPH: Final = 40.0
"""Road speed at which a module sheds twice the heat of a standing one (common practice, no
source): forced convection takes over from still air."""

STEP_S: Final = 1.0
LONGEST_SPAN: Final = 300.0
"""Time constants that are worked at once: the exponential of more would overflow."""

LEAST_KNOWN: Final = 0.8
"""Share of a ride over which road speed must be known."""


def under_like_air(
    item: Measured | NotComparable, a: Side, b: Side, margin: Margin
) -> Measured | NotComparable:
    """Return a heat figure where air cannot have made its difference, with air's share of doubt.

    Air speed moves gain and time constant alike. Where it can have moved them by more than the
    margin, the two rides say nothing on the module; below, what it can have done widens the
    interval.
    """
    if isinstance(item, NotComparable):
        return item
    shed_a, shed_b = _shedding(a), _shedding(b)
    if shed_a is None or shed_b is None:
        label = "A" if shed_a is None else "B"
        why = f"the road speed of {{{label}}} is not known, and air cools the module"
        return NotComparable(why, item.a, item.b)
    apart = abs(math.log(shed_b / shed_a))
    if apart > math.log1p(margin.value):
        speed_a, speed_b = (DOUBLED_KPH * (shed - 1.0) for shed in (shed_a, shed_b))
        why = (
            f"the rides are unlike: while warm {{A}} rode at {speed_a:.0f} km/h and {{B}} at "
            f"{speed_b:.0f} km/h, and air cools the module"
        )
        return NotComparable(why, item.a, item.b)
    return doubted(item, apart, "like air speed")


def blown_alike(
    still: Measured, blown: Measured | NotComparable, margin: Margin
) -> Measured | NotComparable:
    """Return a heat figure that holds whether air cools this module or not.

    ``still`` takes no account of road speed, ``blown`` lets it shed more heat the faster it goes.
    How much air reaches this module nobody knows; where it matters, nothing is said.
    """
    if isinstance(blown, NotComparable):
        return NotComparable(blown.why, still.a, still.b)
    apart = abs(blown.gap.value - still.gap.value)
    if apart > math.log1p(margin.value):
        why = "how much air cooled the module at which moment decides, and no channel tells that"
        return NotComparable(why, still.a, still.b)
    return doubted(still, apart, "with and without cooling by air")


def doubted(item: Measured, apart: float, words: str) -> Measured:
    """Return a figure with a further doubt in its interval, in the logarithm of a ratio."""
    doubt = apart / t95(max(item.gap.degrees, 1))
    gap = replace(
        item.gap,
        spread_low=math.hypot(item.gap.spread_low, doubt),
        spread_high=math.hypot(item.gap.spread_high, doubt),
    )
    return replace(item, gap=gap, conditions=f"{item.conditions}, {words}")


def blown_response(load: FloatArray, shed: FloatArray, tau_s: float) -> FloatArray:
    """Return the mean over each step of ``dT/dt = (load - shed * T) / tau`` from zero.

    Parameters
    ----------
    load, shed : array of float64, shape (n,)
        Constant over each step of `STEP_S`; `shed` is how well heat is shed, 1 standing.
    tau_s : float
        Time constant of a standing module.
    """
    span = blown_span(shed, tau_s)
    weight = load / shed * -np.expm1(-np.diff(span))
    state = np.zeros(len(load) + 1)
    cuts = np.searchsorted(span, np.arange(0.0, span[-1], LONGEST_SPAN)).tolist()
    for first, last in itertools.pairwise([*cuts, len(load)]):
        own = span[first : last + 1] - span[first]
        grown = state[first] + np.cumsum(weight[first:last] * np.exp(own[1:]))
        state[first + 1 : last + 1] = grown * np.exp(-own[1:])
    return np.asarray((state[1:] + state[:-1]) / 2.0)


def blown_span(shed: FloatArray, tau_s: float) -> FloatArray:
    """Return how many time constants have passed at the start of each step, and at the end."""
    return np.concatenate(([0.0], np.cumsum(shed))) * STEP_S / tau_s


def shed_of_steps(result: Result, at_s: FloatArray) -> FloatArray | None:
    """Return how well a ride shed heat at each time, 1 standing; None where not known."""
    speed_kph = value_at(with_known_units(result.timeline), "vehicle_speed", at_s)
    known = np.isfinite(speed_kph)
    if known.mean() < LEAST_KNOWN:
        return None
    speed_kph = np.where(known, speed_kph, speed_kph[known].mean())
    return np.asarray(1.0 + speed_kph / DOUBLED_KPH)


def _shedding(side: Side) -> float | None:
    """Return how well a side shed its heat on average, 1 standing; None where not known."""
    parts = [_of_ride(result) for result in side]
    known = [part for part in parts if part is not None]
    weight = sum(float(excess.sum()) for excess, _ in known)
    if len(known) < len(parts) or weight <= 0.0:
        return None
    return sum(float((excess * shed).sum()) for excess, shed in known) / weight


def _of_ride(result: Result) -> tuple[FloatArray, FloatArray] | None:
    timeline = with_known_units(result.timeline)
    at_s = np.arange(0.0, timeline.duration_s, STEP_S)
    speed_kph = value_at(timeline, "vehicle_speed", at_s)
    heat_c = value_at(timeline, "module_temperature", at_s)
    known = np.isfinite(speed_kph) & np.isfinite(heat_c)
    if known.mean() < LEAST_KNOWN:
        return None
    excess = heat_c[known] - heat_c[known].min()
    return excess, 1.0 + speed_kph[known] / DOUBLED_KPH
