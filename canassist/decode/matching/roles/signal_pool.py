"""Measured signals of one log on one grid, by unit, with what is settled already beside them.

Thresholds are common practice, no source: they sort signals and decide no finding.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.matching.contender import Contender, contender
from canassist.decode.matching.direction import positive_side
from canassist.decode.matching.value_shape import common_grid, correlation, on_grid
from canassist.model import CHANNEL_UNITS

if TYPE_CHECKING:
    from canassist.decode.candidates import MeasuredCandidate
    from canassist.model import Channel, FloatArray

_LEAST_POINTS: Final = 100
_SAME_SHARE: Final = 0.03


@dataclass(slots=True)
class PooledSignal:
    """One signal and its values on the pool's grid."""

    one: Contender
    grid: FloatArray

    @property
    def moves(self) -> bool:
        """Whether it moves as a measured value does."""
        shape = self.one.shape
        return shape.different > 2 and not shape.counter and shape.samples > 0  # noqa: PLR2004 - more than a flag

    @property
    def both_sides(self) -> bool:
        """Whether it swings about zero."""
        shape = self.one.shape
        return shape.p1 < 0.0 < shape.p99 and abs(shape.median) <= 0.25 * shape.spread

    @property
    def message(self) -> object:
        """What it is sent in."""
        return self.one.measured.source


@dataclass(slots=True)
class PlacedChannel:
    """A channel placed by behaviour: the signal and why, or those in question."""

    channel: str
    likely: Sequence[PooledSignal]
    why: str = ""
    question: str = ""
    scale: float = 1.0
    sign_known: bool = False
    is_open: bool = False


@dataclass(slots=True)
class SignalPool:
    """All signals that serve nothing yet, and the channels that are settled."""

    grid_s: FloatArray
    free: list[PooledSignal]
    set_aside: list[PooledSignal]
    settled: dict[str, FloatArray]
    carriers: set[object]
    sides: dict[str, bool]
    parts: dict[str, PlacedChannel] = field(default_factory=dict)

    def of(self, channel: str) -> list[PooledSignal]:
        """Return the free signals that move, in a channel's unit."""
        unit = CHANNEL_UNITS[channel]
        return [
            one
            for one in self.free
            if one.moves and CHANNEL_UNITS[one.one.measured.candidate.channel] == unit
        ]

    def reopen(self, channel: str, taken: Channel) -> None:
        """Open a channel again, with the signal that served it among the others."""
        self.settled.pop(channel)
        mine = (taken.signal, taken.source)
        self.free += [one for one in self.set_aside if (one.one.name, one.message) == mine]

    def wants(self, channel: str) -> bool:
        """Tell whether a channel is still open."""
        return channel not in self.settled

    def take(
        self, channel: str, heard: PooledSignal, why: str, scale: float = 1.0, *, question: str = ""
    ) -> None:
        """Place a signal, with a question if need be; `scale` turns what counts the other way."""
        scale, known = self._sided(channel, heard, scale)
        self.parts[channel] = PlacedChannel(
            channel, [heard], why=why, question=question, scale=scale, sign_known=known
        )
        self.settled[channel] = heard.grid * scale
        self.sides[channel] = known
        self.free = [one for one in self.free if one.one.name != heard.one.name]
        if channel in CARRIED:
            self.carriers.add(heard.message)

    def _sided(self, channel: str, heard: PooledSignal, scale: float) -> tuple[float, bool]:
        """Return scale and whether right is known to be positive: by comment, or by the driver."""
        if channel in _FOLLOWS_DRIVER:
            return scale, self.sides.get("driver_torque", False)
        if channel not in _SIDED:
            return scale, True
        if heard.one.measured.sign_signal:
            return scale, heard.one.measured.side_known
        candidate = heard.one.measured.candidate
        side = positive_side(f"{candidate.signal.comment} . {candidate.message.comment}")
        return (-scale if side == "left" else scale), bool(side)

    def ask(self, channel: str, likely: Sequence[PooledSignal], question: str) -> None:
        """Leave a channel open between these."""
        if likely:
            self.parts[channel] = PlacedChannel(channel, likely, question=question, is_open=True)


CARRIED: Final = frozenset(
    {
        "assist_limit",
        "assist_torque",
        "motor_current",
        "module_current",
        "module_temperature",
        "driver_torque",
    }
)
"""Channels whose message is the module's own."""

_SIDED: Final = frozenset({"driver_torque", "steering_angle"})
_FOLLOWS_DRIVER: Final = frozenset({"assist_torque", "motor_current"})


def pool_of(measured: Iterable[MeasuredCandidate], settled: Mapping[str, Channel]) -> SignalPool:
    """Lay everything on one grid."""
    free = {(one.candidate.name, one.source): one for one in measured if len(one.time_s)}
    taken = {(one.signal, one.source) for one in settled.values()}
    spans = [one.time_s for one in free.values()]
    ends = [float(one[-1]) for one in spans]
    grid_s = common_grid(np.array([0.0, max(ends)])) if ends else np.empty(0)
    heard = {
        key: PooledSignal(contender(one), on_grid(grid_s, one.time_s, one.value))
        for key, one in free.items()
    }
    return SignalPool(
        grid_s=grid_s,
        free=[one for key, one in heard.items() if key not in taken and _tells(one.grid)],
        set_aside=[one for key, one in heard.items() if key in taken and _tells(one.grid)],
        settled={
            name: grid
            for name, one in settled.items()
            if one.unit_known and _tells(grid := on_grid(grid_s, one.time_s, one.value))
        },
        carriers={one.source for name, one in settled.items() if name in CARRIED},
        sides={name: one.sign_known for name, one in settled.items()},
    )


def _tells(grid: FloatArray) -> bool:
    """Tell whether enough of a signal is there to compare."""
    return int(np.count_nonzero(~np.isnan(grid))) >= _LEAST_POINTS


def like(a: FloatArray, b: FloatArray) -> float:
    """Return the correlation of two on one grid; 0 where too little of them is there."""
    both = ~(np.isnan(a) | np.isnan(b))
    if np.count_nonzero(both) < _LEAST_POINTS:
        return 0.0
    found = correlation(a[both], b[both])
    return 0.0 if np.isnan(found) else found


def ratio(a: FloatArray, b: FloatArray) -> float:
    """Return how much larger b usually is than a, by their amounts."""
    first, second = (float(np.nanpercentile(np.abs(one), 95)) for one in (a, b))
    return second / first if first > 0.0 else float("nan")


def same(a: PooledSignal, b: PooledSignal) -> bool:
    """Tell whether two signals read the same all the time."""
    gap = float(np.nanmedian(np.abs(a.grid - b.grid))) if len(a.grid) else np.inf
    return gap <= _SAME_SHARE * max(a.one.shape.spread, b.one.shape.spread)


def finest(ones: Sequence[PooledSignal]) -> PooledSignal | None:
    """Return the finest of signals that all read the same; None where they do not."""
    if not ones or any(not same(ones[0], one) for one in ones[1:]):
        return None
    return min(ones, key=lambda one: (-one.one.shape.different, one.one.name))
