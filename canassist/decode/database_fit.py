"""How the given databases and the bus go together, and whether they are this vehicle's own.

Judged by what needs no channel: which identifiers are there, how long their frames are, whether
counters count and whether fields keep to their bounds and move as measured values do.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.matching.name_parts import name_means
from canassist.decode.matching.rules.rule import STEERED
from canassist.decode.signals.extract import decode_signal
from canassist.decode.signals.validity import no_value_codes
from canassist.model import EXTENDED_KEY, DatabaseFit, MessageFrames

if TYPE_CHECKING:
    from canassist.decode.database.layouts import Databases, MessageLayout, SignalLayout
    from canassist.model import BusStats, FloatArray, FrameSource, IdStats

CYCLIC_FRAMES: Final = 5
"""An identifier that came as often, with a period, is cyclic."""

MISFIT_SHARE: Final = 0.25
"""Databases that know a smaller share of a bus, and of whose own messages a smaller share is
there, are another vehicle's (of 17 real recordings with their own database the poorest knew
0.30; its own share was smaller only where the database was made for many models)."""

CHANCE_TIMES: Final = 3.5
"""A database that knows less than so many times what chance gives is no better than chance (17
recordings with their own database: 4.3 times and more; with foreign ones 3.2 and less)."""

BOUNDS_SHARE: Final = 0.5
"""Where fewer of the known signals keep their bounds, the layouts are another vehicle's."""

STANDARD_IDS: Final = 0x800
"""Eleven-bit identifiers; a 29-bit one is never met by chance."""

LEAST_CYCLIC: Final = 5
"""A bus with fewer cyclic identifiers tells nothing of the database."""

LEAST_TESTS: Final = 4
"""Fewer signals that can be held against something prove nothing."""

_SURE: Final = 4.0
"""Standard deviations beyond chance (17 recordings: their own database 4.8 and more, foreign ones
3.2 and less)."""

_LUCK: Final = 0.1
"""Probability of as many known identifiers by chance, above which few prove nothing."""

_MOSTLY: Final = 0.5
_SOME: Final = 3
_FEW_TESTS: Final = 2
_WELL_KEPT: Final = 0.75
"""Where few identifiers speak for a database, its signals must pass as often."""

_MESSAGES_READ: Final = 20
_ROWS_READ: Final = 300
_PLACES: Final = np.array([0.25, 0.5, 0.75])
_FEW_ROWS: Final = 20
_INSIDE: Final = 0.95
_WIDE_BITS: Final = 8
_DIFFERENT: Final = 16
"""Fewer different values jitter around one, which says nothing of the layout."""
_NOISE: Final = 0.7
"""Mean squared step over twice the variance, as in `value_shape`."""


@dataclass(frozen=True, slots=True)
class _Known:
    """What the databases know of one bus."""

    bus: int
    cyclic: int
    in_range: int
    known: int
    right_length: int
    by_chance: float
    own: int
    """Messages of the databases; of these the steering module's do not count: it may be dead."""

    @property
    def share(self) -> float:
        return self.right_length / self.in_range if self.in_range else 0.0

    @property
    def beyond_chance(self) -> float:
        """How far above chance, in standard deviations of a rare event's count."""
        return (self.right_length - self.by_chance) / float(np.sqrt(self.by_chance + 1.0))

    @property
    def own_share(self) -> float:
        return min(1.0, self.right_length / self.own) if self.own else 0.0


def fit_of(
    databases: Databases, frames: Mapping[FrameSource, MessageFrames], stats: BusStats
) -> DatabaseFit | None:
    """Judge how the databases go with the log; None without a database or without a frame.

    Parameters
    ----------
    frames : mapping of FrameSource to MessageFrames
        Those identifiers that were read; a sample of them is held against its layouts.
    stats : BusStats
        Traffic of the whole log.
    """
    if not databases.messages or not stats.ids:
        return None
    numbers = sorted({one.source.bus for one in stats.ids})
    buses = [_known_of(databases, stats, frames, bus) for bus in numbers]
    best = max(buses, key=lambda one: (one.beyond_chance, one.share, -one.bus))
    tests = list(_tests(databases, frames, stats))
    return DatabaseFit(
        known_ids=sum(one.known for one in buses) / len(stats.ids),
        cyclic_known=best.share,
        in_bounds=float(np.mean(tests)) if tests else float("nan"),
        reason=_reason(best, tests, databases.names),
    )


def _known_of(
    databases: Databases, stats: BusStats, frames: Mapping[FrameSource, MessageFrames], bus: int
) -> _Known:
    mine = [one for one in stats.ids if one.source.bus == bus]
    name = stats.buses[bus]
    own = [one for one in databases.messages if not one.bus or one.bus == name]
    keys = {one.key for one in own}
    others = {one.key for one in own if not _is_of_steering(one)} or keys
    plain = [key for key in keys if not key & EXTENDED_KEY]
    low, high = (min(plain), max(plain)) if plain else (0, -1)
    cyclic, inside, known, right, by_chance = 0, 0, 0, 0, 0.0
    for one in mine:
        message = databases.message_for(one.source.key, name)
        known += message is not None
        if not _is_cyclic(one):
            continue
        cyclic += 1
        by_chance += 0.0 if one.source.key & EXTENDED_KEY else len(plain) / STANDARD_IDS
        extended = bool(one.source.key & EXTENDED_KEY)
        if extended or low <= one.source.key <= high:
            inside += 1
        right += message is not None and _length_right(message, frames.get(one.source))
    return _Known(bus, cyclic, inside, known, right, by_chance, len(others))


def _is_of_steering(message: MessageLayout) -> bool:
    """Tell whether a dead steering module would leave this message out."""
    said = name_means(message.name)[0] | name_means(message.sender)[0]
    return not STEERED.isdisjoint(said)


def _is_cyclic(one: IdStats) -> bool:
    return one.count >= CYCLIC_FRAMES and one.period_s > 0.0


def _length_right(message: MessageLayout, frames: MessageFrames | None) -> bool:
    """Tell whether frames have the length that the database gives; True where none were read."""
    if frames is None or not len(frames.length) or message.j1939:
        return True
    return bool(np.median(frames.length[:_ROWS_READ]) == message.length)


def _tests(
    databases: Databases, frames: Mapping[FrameSource, MessageFrames], stats: BusStats
) -> Iterator[bool]:
    """Yield for each signal that can be held against something whether it passes."""
    known = [
        (message, column)
        for source, column in sorted(frames.items())
        if (message := databases.message_for(source.key, stats.buses[source.bus])) is not None
        and len(column.time_s) >= _FEW_ROWS
    ]
    for message, column in known[:: max(1, len(known) // _MESSAGES_READ)]:
        few = _sample(column)
        for signal in message.signals:
            yield from _test(message, signal, few)


def _sample(frames: MessageFrames) -> MessageFrames:
    """Return frames that follow each other, from three places of the log.

    At a steady speed alone a sound signal shows nothing but its noise.
    """
    each = _ROWS_READ // len(_PLACES)
    spare = max(0, len(frames.time_s) - each)
    rows = np.unique([np.arange(first, first + each) for first in (spare * _PLACES).astype(int)])
    rows = rows[rows < len(frames.time_s)]
    return MessageFrames(
        source=frames.source,
        time_s=frames.time_s[rows],
        payload=frames.payload[rows],
        length=frames.length[rows],
    )


def _test(message: MessageLayout, signal: SignalLayout, frames: MessageFrames) -> Iterator[bool]:
    if signal.is_float or signal.selector:
        return
    words = name_means(signal.name)[0]
    samples = decode_signal(frames, message, signal)
    if samples.short.all():
        yield False
        return
    raw, value = samples.raw[~samples.short], samples.value[~samples.short]
    if "checksum" in words:
        return
    if "counter" in words and signal.length <= _WIDE_BITS:
        steps = np.mod(np.diff(raw.astype(np.int64)), 1 << signal.length)
        if len(steps) and raw.min() != raw.max():
            yield bool(np.mean(steps == 1) > 0.5)  # noqa: PLR2004 - more often than not
        return
    codes = no_value_codes(signal, is_text=False)
    value = value[~np.isin(raw, codes)] if codes else value
    if not len(value):
        return
    yield from _bounds_kept(signal, value)
    if signal.length >= _WIDE_BITS and len(np.unique(value)) >= _DIFFERENT:
        yield _moves_smoothly(value)


def _bounds_kept(signal: SignalLayout, value: FloatArray) -> Iterator[bool]:
    """Hold values against declared bounds, where these say more than the number of bits does."""
    if signal.declared_range is None:
        return
    low, high = signal.declared_range
    reach = abs(signal.scale) * ((1 << signal.length) - 1)
    step = abs(signal.scale)
    if high - low >= 0.9 * reach or high - low <= step:
        return  # no narrower than the bits, or a filler
    yield bool(np.mean((value >= low - step) & (value <= high + step)) >= _INSIDE)


def _moves_smoothly(value: FloatArray) -> bool:
    """Tell whether values move as measured ones do: small steps, seldom across the whole range."""
    steps = np.diff(value)
    spread = float(np.var(value))
    if not spread > 0.0:
        return True
    return bool(float(np.mean(steps**2)) / (2.0 * spread) < _NOISE)


def _reason(best: _Known, tests: Sequence[bool], names: Sequence[str]) -> str:
    """Say why the databases are another vehicle's, or nothing."""
    if best.cyclic < LEAST_CYCLIC:
        return ""
    which = ", ".join(names)
    kept = float(np.mean(tests)) if tests else float("nan")
    surely = _surely(best)
    if not best.right_length:
        return (
            f"No cyclic message of this log is as {which} has it: it is another vehicle's "
            "database, or the units that it describes are silent."
        )
    if not surely and not (_mostly(best) and (len(tests) < _FEW_TESTS or kept >= _WELL_KEPT)):
        return (
            f"{which} knows {best.right_length} of the {best.in_range} cyclic identifiers in its "
            f"range, and {best.by_chance:.1f} would be known by chance: it is not this vehicle's "
            "database."
        )
    if len(tests) >= LEAST_TESTS and kept < BOUNDS_SHARE:
        return (
            f"{sum(not one for one in tests)} of {len(tests)} signals that {which} describes leave "
            "their bounds, do not count or jump as no measured value does: it is not this "
            "vehicle's database."
        )
    return ""


def _chance_of(count: int, mean: float) -> float:
    """Return the probability of at least so many rare events (Poisson)."""
    return 1.0 - sum(math.exp(-mean) * mean**k / math.factorial(k) for k in range(min(count, 50)))


def _surely(best: _Known) -> bool:
    """Tell whether far more identifiers are known than chance gives."""
    return (
        best.beyond_chance >= _SURE
        and best.right_length >= CHANCE_TIMES * best.by_chance
        and max(best.share, best.own_share) >= MISFIT_SHARE
    )


def _mostly(best: _Known) -> bool:
    """Tell whether most of a small database, or most of a small bus, is known."""
    if _chance_of(best.right_length, best.by_chance) > _LUCK:
        return False
    return best.own_share >= _MOSTLY or (best.share >= _MOSTLY and best.right_length >= _SOME)
