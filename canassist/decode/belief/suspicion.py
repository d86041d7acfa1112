"""What is collected about each channel while it is held against bounds and neighbours.

Bounds are common practice, no source, unless one is named: what breaks one is asked about.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.decode.matching.value_shape import (
    Likeness,
    Shape,
    common_grid,
    likeness,
    on_grid,
    shape_of,
)

if TYPE_CHECKING:
    from canassist.model import Channel, FloatArray

WHEELS: Final = ("wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr")
FEW: Final = 8
"""Fewer valid samples show nothing."""


class Likely(NamedTuple):
    """What a value most likely is: its unit in words, and how to mend it."""

    words: str
    scale: float
    offset: float = 0.0


@dataclass(slots=True)
class Suspicion:
    """One channel while it is being judged.

    Attributes
    ----------
    told : bool
        The profile gives its scale: that is an answer, and only the impossible is doubted.
    labelled : float
        Scale from the database's unit to the channel's: what the database takes it for.
    held_out : str
        Why it cannot be believed.
    likely : Likely or None
        What it probably is.
    checked : set of str
        ``"unit"`` and ``"sign"``: what another channel or a sure level confirmed.
    turned : str
        Why its sign is doubted.
    """

    channel: Channel
    shape: Shape
    told: bool = False
    labelled: float = 1.0
    held_out: str = ""
    likely: Likely | None = None
    checked: set[str] = field(default_factory=set)
    turned: str = ""

    def hold(self, why: str, likely: Likely | None = None) -> None:
        """Hold the channel out; the first reason stays."""
        if not self.held_out:
            self.held_out, self.likely = why, likely

    @property
    def usable(self) -> bool:
        """Whether it can speak about others."""
        return not self.held_out and self.channel.unit_known and self.shape.samples >= FEW


Suspects = Mapping[str, Suspicion]


def suspect(channel: Channel, *, told: bool, labelled: float) -> Suspicion:
    """Measure a channel before it is judged."""
    shape = shape_of(channel.time_s, channel.value)
    return Suspicion(channel, shape, told=told, labelled=labelled)


def side_by_side(first: Channel, second: Channel) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return a common grid and both channels' values on it, where both have one."""
    grid = common_grid(first.time_s, second.time_s)
    a, b = (on_grid(grid, one.time_s, one.value) for one in (first, second))
    both = ~(np.isnan(a) | np.isnan(b))
    return grid[both], a[both], b[both]


def alike(first: Channel, second: Channel) -> Likeness:
    """Compare two channels over the time that they share."""
    _, a, b = side_by_side(first, second)
    return likeness(a, b)


def spoken(channel: str) -> str:
    """Return a channel's name in words."""
    return channel.replace("_", " ")
