"""Signals that others are compared with, and the field of all contenders.

Thresholds are common practice, no source: they sort signals and decide no finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.decode.matching.value_shape import common_grid, on_grid

if TYPE_CHECKING:
    from canassist.decode.matching.contender import Contender
    from canassist.model import FloatArray

Field = Mapping[str, Sequence["Contender"]]
"""The contenders of every open channel."""

LIKELY: Final = 5.0
"""Points from which a contender may speak about another."""


class Track(NamedTuple):
    """A signal that others are compared with."""

    name: str
    time_s: FloatArray
    value: FloatArray
    sign_known: bool = False


def runs(one: Contender) -> bool:
    """Tell whether a contender is still in the running and carries values."""
    return not one.out and one.shape.samples > 0


def leader(channel: str, field: Field, anchors: Mapping[str, Track]) -> Track | None:
    """Return what a channel most likely is, if anything is likely enough."""
    if channel in anchors:
        return anchors[channel]
    likely = [one for one in field.get(channel, ()) if runs(one) and one.total >= LIKELY]
    if not likely:
        return None
    best = max(likely, key=lambda one: one.total)
    return Track(best.name, best.time_s, best.value, best.sign_known)


def compare(track: Track, one: Contender) -> tuple[FloatArray, FloatArray]:
    """Return a track's and a contender's values on one grid, shape (m,) each."""
    grid = common_grid(track.time_s, one.time_s)
    return on_grid(grid, track.time_s, track.value), on_grid(grid, one.time_s, one.value)


def track_of(one: Contender) -> Track:
    """Return a contender as a track."""
    return Track(one.name, one.time_s, one.value, one.sign_known)
