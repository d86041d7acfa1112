"""Where driver torque rests, and how whole the signals are."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.comparison.matched import Cells, matched
from canassist.comparison.matched import stretches as stretches_of
from canassist.comparison.measured_figure import (
    Measured,
    NotComparable,
    from_matched,
    lacking,
    resolution,
    spread,
)
from canassist.timeline import with_known_units

if TYPE_CHECKING:
    from canassist.comparison.measured_figure import Side
    from canassist.model import Channel, FloatArray, Result

REST_STRETCH_S: Final = 2.0
"""Rest is cut into stretches of this length, which are taken as independent."""

QUALITY_STRETCH_S: Final = 10.0
"""What disturbs a signal lasts some seconds."""

GRID_S: Final = 0.1
"""How finely it is looked whether a value is fresh."""

MAIN: Final = (
    "vehicle_speed",
    "engine_speed",
    "supply_voltage",
    "module_temperature",
    "assist_limit",
    "assist_torque",
    "motor_current",
    "driver_torque",
    "steering_angle",
)
"""Channels whose quality counts, as far as both sides have them."""

WORDS: Final = {"driver_torque": "driver torque", "steering_angle": "steering angle"}


def compare_offset(a: Side, b: Side) -> Measured | NotComparable:
    """Compare where driver torque rests with nobody steering."""
    missing = lacking(a, b, "driver_torque", "steering_angle", words=WORDS)
    if missing:
        return NotComparable(missing)
    signs = all(
        r.channels["driver_torque"].sign_known for r in a + b if "driver_torque" in r.channels
    )
    if not signs:
        return NotComparable("which way is right is not known on one side")
    parts = [Cells.joined([_rest(result) for result in side], 1) for side in (a, b)]
    for label, part in zip("AB", parts, strict=True):
        if not len(part.total):
            return NotComparable(f"{{{label}}} was hardly ever at rest with nobody steering")
    floor = max(resolution(side, "driver_torque") for side in (a, b))
    found = matched(parts[0], parts[1], "N·m", floor=floor)
    if found is None:
        return NotComparable("too little rest with nobody steering")
    message = "Driver torque with nobody steering, stretch by stretch"
    overlay = spread("rest", message, "Driver torque at rest", "N·m", found)
    return from_matched(found, "bar still, nobody steering", (overlay,))


def _rest(result: Result) -> Cells:
    found = result.physics.torque_rest
    if found is None:
        return Cells(total=np.zeros((0, 1)), weight=np.zeros((0, 1)))
    stretch = stretches_of(found.time_s, REST_STRETCH_S)
    zeros = np.zeros(len(stretch), dtype=np.int64)
    return Cells.sums(stretch, zeros, found.torque_nm, np.ones(len(stretch)), bins=1)


def compare_quality(a: Side, b: Side) -> Measured | NotComparable:
    """Compare the share of time in which every main channel has a fresh value.

    What the recorder itself lost (no frame on any bus) counts for neither side.
    """
    names = [name for name in MAIN if all(_has(result, name) for result in a + b)]
    if not names:
        return NotComparable("the two sides share no main channel")
    parts = [Cells.joined([_fresh(r, names) for r in side], 1) for side in (a, b)]
    found = matched(parts[0], parts[1], "share")
    if found is None:
        return NotComparable("one ride is too short")
    words = f"{len(names)} channels that both sides have"
    return from_matched(found, words)


def _has(result: Result, name: str) -> bool:
    channel = with_known_units(result.timeline).get(name)
    return channel is not None and len(channel) > 1


def _fresh(result: Result, names: list[str]) -> Cells:
    timeline = result.timeline
    grid_s = np.arange(1.0, max(timeline.duration_s - 1.0, 1.0), GRID_S)
    seen = np.ones(len(grid_s), dtype=np.bool_)
    for start_s, end_s in timeline.bus.recording_gaps:
        seen &= (grid_s < start_s) | (grid_s > end_s + 1.0)
    grid_s = grid_s[seen]
    stretch = stretches_of(grid_s, QUALITY_STRETCH_S)
    fresh = np.min([_age_ok(timeline.channels[name], grid_s) for name in names], axis=0)
    zeros = np.zeros(len(grid_s), dtype=np.int64)
    return Cells.sums(stretch, zeros, fresh, np.ones(len(grid_s)), bins=1)


def _age_ok(channel: Channel, at_s: FloatArray) -> FloatArray:
    time_s, _ = channel.valid()
    if not len(time_s):
        return np.zeros(len(at_s))
    row = np.searchsorted(time_s, at_s, side="right") - 1
    age = at_s - time_s[np.maximum(row, 0)]
    return np.where((row >= 0) & (age <= channel.stale_after_s), 1.0, 0.0)
