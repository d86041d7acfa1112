"""Parameters of a scenario, drawn by seed from ranges that keep two sets apart."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, TypeVar

from canassist.demo.plant.random_draws import RandomDraws

Item = TypeVar("Item")
CELLS: Final = 8
"""Each range is cut into this many cells; the sets take turns."""


class Draw:
    """Draws a scenario's figures for one of two sets.

    Every range is cut into eight cells. Figures for tuning lie in the first, third, ...
    cell and held-out ones in the second, fourth, ...: the sets span the same range and
    no held-out figure lies where tuning has been. The seeds' random streams are apart
    as well.

    Parameters
    ----------
    purpose : str
        Name of the scenario.
    seed : int
        0 or more.
    held_out : bool
        Which set.
    """

    __slots__ = ("_draws", "_held_out", "ride_seed")

    def __init__(self, purpose: str, seed: int, *, held_out: bool) -> None:
        self._held_out = held_out
        word = "held out" if held_out else "tuning"
        self._draws = RandomDraws(seed, f"{word} {purpose}")
        self.ride_seed = 2 * seed + held_out
        """Seed of the ride itself: its weaving and noise."""

    def figure(self, low: float, high: float) -> float:
        """Return a figure from this set's cells of a range."""
        cell = 2 * int(self._draws.between(0, CELLS // 2)) + self._held_out
        width = (high - low) / CELLS
        return low + width * (cell + self._draws.between(0.0, 1.0))

    def pick(self, items: Sequence[Item]) -> Item:
        """Return one of `items`; both sets draw from all of them."""
        return self._draws.pick(items)

    def chance(self, share: float) -> bool:
        """Return True in this share of all draws."""
        return self._draws.between(0.0, 1.0) < share

    def shuffled(self, items: Sequence[Item]) -> list[Item]:
        """Return `items` in random order."""
        order = self._draws.units(len(items)).argsort()
        return [items[int(place)] for place in order]
