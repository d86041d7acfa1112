"""Temperatures held against each other from a cold start, and against the limit that follows them.

Figures are common practice, no source: what breaks one is asked about.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.belief.suspicion import Likely, Suspects, Suspicion, side_by_side
from canassist.decode.matching.value_shape import correlation

if TYPE_CHECKING:
    from canassist.model import Profile

_TEMPERATURES: Final = ("coolant_temperature", "ambient_temperature", "module_temperature")
_COLD_K: Final = 5.0
"""An engine whose coolant is as near to the air around has stood for hours."""
_COLD_MOST_C: Final = 50.0
"""Two that agree above this are warm from riding, and say nothing of the air."""
_SOAKED_K: Final = 8.0
"""So near to the others after hours of standing, a temperature is believed."""
_AIR_C: Final = 40.0
"""Air hotter than this is rare enough that a warm engine and module do not confirm it."""
_APART_K: Final = 30.0
"""So far from the others after hours of standing, it is not: sun and a warm garage give less."""
_START_S: Final = 10.0
_HOT_C: Final = 115.0
"""No thermostat lets coolant above; in degrees Fahrenheit a warm engine reads far higher."""
_REDUCED: Final = 90.0
_LINE_WITHIN: Final = 12.0
_LEAST_POINTS: Final = 20

_FAHRENHEIT: Final = Likely("degrees Fahrenheit", 5.0 / 9.0, -160.0 / 9.0)
_NOT_FAHRENHEIT: Final = Likely("degrees Celsius that were taken for Fahrenheit", 1.8, 32.0)


def judge_temperatures(suspects: Suspects, profile: Profile) -> None:
    """Let temperatures confirm each other, or find the one whose unit or zero lies."""
    starts = {
        name: start
        for name in _TEMPERATURES
        if (one := suspects.get(name)) is not None
        and one.usable
        and (start := _at_start(one)) is not None
    }
    for name, start in starts.items():
        others = [value for other, value in starts.items() if other != name]
        if not (name == "coolant_temperature" and _warm_engine(suspects[name], others)):
            _judge_start(suspects[name], start, others)
    _believe_warm_engine(suspects.get("coolant_temperature"))
    _believe_line(suspects, profile)


def _at_start(one: Suspicion) -> float | None:
    time_s, value = one.channel.valid()
    early = value[time_s <= time_s[0] + _START_S] if len(value) else value
    return float(np.median(early)) if len(early) else None


def _judge_start(one: Suspicion, start: float, others: list[float]) -> None:
    """After hours of standing all temperatures are near each other."""
    if any(abs(start - other) <= _SOAKED_K for other in others):
        if one.channel.name != "ambient_temperature" or start <= _AIR_C:
            one.checked.add("unit")
        return
    cold = len(others) == 2 and abs(others[0] - others[1]) <= _COLD_K  # noqa: PLR2004 - two witnesses
    cold = cold and max(others) <= _COLD_MOST_C
    if not cold or one.told:
        return
    around = float(np.mean(others))
    likely = next(
        (
            lie
            for lie in (_FAHRENHEIT, _NOT_FAHRENHEIT)
            if abs(start * lie.scale + lie.offset - around) <= _SOAKED_K
        ),
        None,
    )
    if likely is not None or abs(start - around) > _APART_K:
        one.hold(
            f"reads {start:.0f} °C at a cold start, at which the other temperatures read "
            f"{min(others):.0f} and {max(others):.0f} °C",
            likely,
        )


def _warm_engine(coolant: Suspicion, others: list[float]) -> bool:
    """Tell whether a coolant reads as of an engine that ran not long ago, beside a cool module."""
    above = coolant.shape.low > max(others, default=np.inf) + _SOAKED_K
    return bool(above and coolant.shape.p95 <= _HOT_C)


def _believe_warm_engine(coolant: Suspicion | None) -> None:
    """Believe a coolant held near 90 °C, as thermostats do: no other unit reads so."""
    if coolant is not None and coolant.usable and 75.0 <= coolant.shape.p95 <= 105.0:  # noqa: PLR2004 - what thermostats hold
        coolant.checked.add("unit")


def _believe_line(suspects: Suspects, profile: Profile) -> None:
    """Assist that falls along the profile's line of temperature confirms the temperature."""
    heat, limit = suspects.get("module_temperature"), suspects.get("assist_limit")
    if heat is None or limit is None or not heat.usable or not limit.usable:
        return
    _, degrees, percent = side_by_side(heat.channel, limit.channel)
    reduced = (percent < _REDUCED) & (percent > 0.0)
    if np.count_nonzero(reduced) < _LEAST_POINTS:
        return
    start, zero = profile.limits.derate_start_c, profile.limits.derate_zero_c
    if not zero > start:
        return
    line = np.clip((zero - degrees[reduced]) / (zero - start) * 100.0, 0.0, 100.0)
    apart = float(np.median(np.abs(line - percent[reduced])))
    moves = np.ptp(percent[reduced]) > 2.0 * _LINE_WITHIN
    follows = moves and correlation(degrees[reduced], percent[reduced]) <= -0.8  # noqa: PLR2004 - clearly falls with it
    if apart <= _LINE_WITHIN and (follows or not moves):
        heat.checked.add("unit")
