"""The figures of one ride by which vehicles are compared."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from canassist.model import EventKind, ScreenFigure, Severity

if TYPE_CHECKING:
    from canassist.model import Estimate, Event, Result

MIN_SLOW_STEERING_S: Final = 30.0
"""Seconds of derating per minute of slow steering say nothing on less of it (our choice)."""

_SECONDS: Final = 60.0
_AS_DESIGNED: Final = frozenset({"temperature", "duty", "law", "start_up"})
"""Causes of a derate by which the module keeps to its own rules."""


def figures(found: Result) -> dict[ScreenFigure, float | None]:
    """Return the figures by which vehicles are compared; None where a ride has none."""
    physics = found.physics
    path, charging, rest = physics.supply_path, physics.charging, physics.torque_rest
    assist = physics.assist
    return {
        ScreenFigure.PATH_OHM: _value(path.path_ohm if path else None),
        ScreenFigure.CHARGING_V: _value(charging.voltage_v if charging else None),
        ScreenFigure.OFFSET_NM: _value(rest.offset_nm if rest else None),
        ScreenFigure.ASSIST_SHARE: _value(assist.ratio if assist else None),
        ScreenFigure.SIDE_SHARE: _value(assist.side_difference if assist else None),
        ScreenFigure.DERATE_S_PER_SLOW_MIN: _per_slow_minute(found, designed=False),
        ScreenFigure.HEAT_S_PER_SLOW_MIN: _per_slow_minute(found, designed=True),
        ScreenFigure.ONSET_C: _onset(found),
    }


def known(value: float | None) -> float | None:
    """Return a finite number, or None."""
    return None if value is None or not math.isfinite(value) else float(value)


def derate_seconds(found: Result) -> float:
    """Return how long assist was reduced in all; at most as long as the log."""
    return _seconds(found, list(_derates(found)))


def _value(found: Estimate | None) -> float | None:
    return known(found.value) if found is not None else None


def _derates(found: Result) -> Iterator[Event]:
    """Give the derates that a rider feels: not those before the engine runs."""
    for event in found.events:
        if event.kind is EventKind.DERATE and event.severity is not Severity.NOTE:
            yield event


def _seconds(found: Result, derates: list[Event]) -> float:
    end_s = found.log.duration_s
    return sum((event.until(end_s) - event.start_s for event in derates), 0.0)


def _per_slow_minute(found: Result, *, designed: bool) -> float | None:
    slow_s = known(found.coverage.low_speed_steering_s)
    if slow_s is None or slow_s < MIN_SLOW_STEERING_S:
        return None
    chosen = [event for event in _derates(found) if (event.cause in _AS_DESIGNED) is designed]
    return _seconds(found, chosen) / (slow_s / _SECONDS)


def _onset(found: Result) -> float | None:
    """Return the lowest module temperature at which assist began to fall for heat alone."""
    at = [
        event.channels_then.get("module_temperature", math.nan)
        for event in _derates(found)
        if event.cause == "temperature"
    ]
    return min((value for value in at if math.isfinite(value)), default=None)
