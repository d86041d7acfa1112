"""Shares of affected vehicles, each with the interval that says how sure it is."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from canassist.model import Code, Rate, ScreenedVehicle
from canassist.stats import wilson


@dataclass(frozen=True, slots=True)
class RiddenVehicle:
    """A vehicle, and in which months it was ridden: with a fault then or without."""

    vehicle: ScreenedVehicle
    months: Mapping[str, bool]


@dataclass(slots=True)
class _Share:
    affected: int = 0
    of: int = 0

    def count(self, *, affected: bool) -> None:
        self.affected += affected
        self.of += 1


def _shares() -> dict[str, _Share]:
    return defaultdict(_Share)


@dataclass(slots=True)
class VehicleCounts:
    """Counts vehicles as they pass; shares are of those with enough riding."""

    vehicles: int = 0
    ranked: int = 0
    flagged: int = 0
    codes: dict[str, _Share] = field(default_factory=_shares)
    batches: dict[str, _Share] = field(default_factory=_shares)
    years: dict[str, _Share] = field(default_factory=_shares)
    months: dict[str, _Share] = field(default_factory=_shares)

    def add(self, item: RiddenVehicle) -> None:
        """Count a vehicle."""
        self.vehicles += 1
        if not item.vehicle.ranked:
            return
        self.ranked += 1
        self.flagged += item.vehicle.flagged
        self.batches[item.vehicle.batch].count(affected=item.vehicle.flagged)
        self.years[item.vehicle.model_year].count(affected=item.vehicle.flagged)
        for code in _codes_of(item.vehicle):
            self.codes[code].count(affected=True)
        for month, affected in item.months.items():
            self.months[month].count(affected=affected)

    def by_code(self, placed: Sequence[RiddenVehicle]) -> tuple[Rate, ...]:
        """Return the share of vehicles with each conclusion, the most frequent first.

        A blame that is at least moderately sure counts at any rank, anything else as a ride's
        first conclusion; no fault is found only where nothing is blamed.
        """
        rates = [
            _rate(code, share.affected, self.ranked, _places(placed, _has(code)))
            for code, share in self.codes.items()
        ]
        return tuple(sorted(rates, key=lambda rate: (-rate.affected, rate.label)))

    def by_batch(self, placed: Sequence[RiddenVehicle]) -> tuple[Rate, ...]:
        """Return the share of flagged vehicles of each batch; none where no batch was told."""
        return _flagged(self.batches, placed, lambda vehicle: vehicle.batch)

    def by_model_year(self, placed: Sequence[RiddenVehicle]) -> tuple[Rate, ...]:
        """Return the share of flagged vehicles of each model year, likewise."""
        return _flagged(self.years, placed, lambda vehicle: vehicle.model_year)

    def by_month(self, placed: Sequence[RiddenVehicle]) -> tuple[Rate, ...]:
        """Return the share of vehicles with a fault on a ride of each month."""
        return tuple(
            _rate(month, share.affected, share.of, _places(placed, _faulty_in(month)))
            for month, share in sorted(self.months.items())
        )


_Rule = Callable[[RiddenVehicle], bool]


def _flagged(
    shares: Mapping[str, _Share],
    placed: Sequence[RiddenVehicle],
    group_of: Callable[[ScreenedVehicle], str],
) -> tuple[Rate, ...]:
    if set(shares) <= {""}:
        return ()

    def of(group: str) -> _Rule:
        return lambda item: item.vehicle.flagged and group_of(item.vehicle) == group

    return tuple(
        _rate(group or "not told", share.affected, share.of, _places(placed, of(group)))
        for group, share in sorted(shares.items())
    )


def _has(code: str) -> _Rule:
    return lambda item: code in _codes_of(item.vehicle)


def _codes_of(vehicle: ScreenedVehicle) -> set[str]:
    blamed = {part.code for part in vehicle.blamed if part.sure}
    first = set(vehicle.codes) - ({str(Code.NO_FAULT_FOUND)} if blamed else set())
    return first | blamed


def _faulty_in(month: str) -> _Rule:
    return lambda item: item.months.get(month, False)


def _places(placed: Sequence[RiddenVehicle], affected: _Rule) -> tuple[int, ...]:
    return tuple(item.vehicle.place for item in placed if item.vehicle.ranked and affected(item))


def _rate(label: str, affected: int, of: int, places: tuple[int, ...]) -> Rate:
    low, high = wilson(affected, of)
    return Rate(label=label, affected=affected, vehicles=of, low=low, high=high, places=places)
