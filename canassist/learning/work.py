"""What a worker does: one ride in, its figures out."""

from __future__ import annotations

from dataclasses import dataclass

from canassist.errors import CanassistError
from canassist.learning.measure import figures_of
from canassist.model import Profile, RideFigures
from canassist.pipeline import analyze


@dataclass(frozen=True, slots=True, kw_only=True)
class RideOrder:
    """What every ride is read with; each database is tried, and those that fit are used."""

    dbc: tuple[str, ...]
    profile: Profile


def measure_ride(order: RideOrder, logs: tuple[str, ...]) -> list[RideFigures]:
    """Return the figures of each log; what is wrong with one is its reason, not an end."""
    return [_measured(order, log) for log in logs]


def _measured(order: RideOrder, log: str) -> RideFigures:
    try:
        result = analyze(log, dbc=order.dbc, profile=order.profile)
        return figures_of(result)
    except CanassistError as error:
        return RideFigures(log=log, reason=str(error.args[0]))
    except Exception as error:
        return RideFigures(log=log, reason=f"canassist itself failed: {type(error).__name__}")
