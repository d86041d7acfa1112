"""Learning the assist map from the ride itself, where no profile gives it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.physics.assist_law import EVERY_MODE, assist_samples
from canassist.stats import falling, least_squares
from canassist.timeline import value_at, window_extremes

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canassist.model import AssistFit, BoolArray, FloatArray, IntArray, LimitLines, Timeline
    from canassist.physics.assist_law import AssistSamples
    from canassist.stats import FittedLine

SPEED_EDGES_KPH: Final = (0.0, 4.0, 8.0, 12.0, 16.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 1000.0)
"""Bands of road speed in which a gain is learned."""

BAND_LEAST_S: Final = 1.0
"""A band with less steering than this is left out."""

MODE_LEAST_S: Final = 4.0
"""A mode with less steering than this shares the map of every mode."""

RIDE_LEAST_S: Final = 8.0
"""Less steering than this in all shows no map."""

LEARN_EFFORT_NM: Final = 0.75
"""Gains are learned where driver torque is this far beyond the deadband."""

LEARN_LIMIT: Final = 0.5
"""... and this share of assist is available."""

STEADY_S: Final = 0.1
STEADY_NM: Final = 0.6
"""... and driver torque stays within this for that long before and after."""

GREATEST_SHARE: Final = 0.97
"""Assist above this share of the greatest seen may be cut off there."""

CALLED_SHARE: Final = 1.15
"""Assist is cut off where the gain calls for this much more than the greatest seen ..."""

LEAST_HELD: Final = 10
"""... in so many samples."""

DEADBAND_MOST_NM: Final = 1.5
"""No module lets the driver pull more than this before it helps: common practice, no source."""

DEADBAND_USUAL_NM: Final = 0.5
"""Taken where the ride does not show it."""

DEADBAND_FROM_NM: Final = 1.0
"""The line that shows the deadband is drawn through driver torques above this."""

TORQUE_STEP_NM: Final = 0.25
"""Assist over driver torque is looked at in steps of this."""

LEAST_STEPS: Final = 5
"""A line takes so many steps, and a step so many samples."""

ROUNDS: Final = 4
"""Bands and modes settle within a few rounds of taking medians in turn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lesson:
    """Samples that show the gain, each shape (n,)."""

    speed_kph: FloatArray
    band: IntArray
    mode: FloatArray
    right: BoolArray
    log_gain: FloatArray
    period_s: float


def learn_map(
    timeline: Timeline, fit: AssistFit, lines: LimitLines, *, side_tolerance: float
) -> AssistFit | None:
    """Learn deadband, greatest assist and the gain by road speed and mode.

    Gains are medians, so that a fault that lasts less than half of the ride does not
    become the map; they fall with road speed or stay, and a mode raises or lowers all of
    them alike. Where one side gets less than the other, the stronger side is the map.

    Parameters
    ----------
    fit : AssistFit
        With the lag; its map is not used.
    side_tolerance : float
        Difference of the sides, as a share, from which they are told apart.

    Returns
    -------
    AssistFit or None
        None where too little was steered.
    """
    samples = assist_samples(timeline, fit, lines)
    if samples is None or len(samples.time_s) < LEAST_STEPS or not timeline.has("vehicle_speed"):
        return None
    usable = _usable(samples)
    period_s = float(np.median(np.diff(samples.time_s)))
    if usable.sum() * period_s < RIDE_LEAST_S:
        return None
    available = np.where(usable, samples.limit_share, 1.0)
    given = samples.delivered_nm * np.sign(samples.driver_nm) / available
    top_nm = float(given[usable].max())
    free = usable & (given < GREATEST_SHARE * top_nm)
    mode = np.nan_to_num(value_at(timeline, "assist_mode", samples.time_s), nan=-1.0)
    deadband_nm = _deadband(samples, given, free, mode)
    lesson = _lesson(samples, given, free, mode, deadband_nm)
    bands = _bands(lesson)
    if len(lesson.band) * period_s < RIDE_LEAST_S or not len(bands):
        return None
    modes = timeline.get("assist_mode")
    labels = {} if modes is None else modes.labels
    speeds, tables = _tables(lesson, bands, labels, side_tolerance)
    learned = replace(
        fit,
        map_from="ride",
        speed_kph=tuple(speeds.tolist()),
        gains=tables,
        driver_deadband_nm=deadband_nm,
        known_up_to_nm=top_nm,
        unshown_kph=_unshown(bands),
    )
    return replace(learned, max_assist_nm=_greatest(samples, given, learned, usable))


def _lesson(
    samples: AssistSamples,
    given: FloatArray,
    free: BoolArray,
    mode: FloatArray,
    deadband_nm: float,
) -> _Lesson:
    """Gather the samples at which assist is well away from both of its ends."""
    effort = np.abs(samples.driver_nm) - deadband_nm
    rows = np.flatnonzero(free & (effort >= LEARN_EFFORT_NM) & (given > 0.0))
    return _Lesson(
        speed_kph=samples.speed_kph[rows],
        band=np.digitize(samples.speed_kph[rows], SPEED_EDGES_KPH),
        mode=mode[rows],
        right=samples.driver_nm[rows] > 0.0,
        log_gain=np.log(given[rows] / effort[rows]),
        period_s=float(np.median(np.diff(samples.time_s))),
    )


def _usable(samples: AssistSamples) -> BoolArray:
    """Tell which samples show what the module gives for a torque, shape (n,)."""
    lowest, highest = window_extremes(
        samples.time_s, samples.driver_nm, before_s=STEADY_S, after_s=STEADY_S
    )
    usable = (samples.limit_share >= LEARN_LIMIT) & samples.settled
    usable &= ~np.isnan(samples.speed_kph) & (np.abs(samples.driver_nm) >= DEADBAND_FROM_NM)
    return np.asarray(usable & (highest - lowest <= STEADY_NM))


def _deadband(
    samples: AssistSamples, given: FloatArray, usable: BoolArray, mode: FloatArray
) -> float:
    """Return where assist over driver torque begins, in the speed and mode ridden most.

    From the side that gets more assist: a weak side may hide it. Modes together would
    bend the line, because each has a gain of its own.
    """
    band = np.digitize(np.nan_to_num(samples.speed_kph), SPEED_EDGES_KPH)
    if not usable.any():
        return DEADBAND_USUAL_NM
    ridden, count = np.unique(np.stack((band, mode))[:, usable], axis=1, return_counts=True)
    most = ridden[:, np.argmax(count)]
    rows = usable & (band == most[0]) & (mode == most[1])
    lines = [
        line
        for side in (rows & (samples.driver_nm > 0.0), rows & (samples.driver_nm < 0.0))
        if (line := _stepped_line(np.abs(samples.driver_nm[side]), given[side])) is not None
    ]
    if not lines:
        return DEADBAND_USUAL_NM
    line = max(lines, key=lambda item: item.slope)
    return float(np.clip(-line.level / line.slope, 0.0, DEADBAND_MOST_NM))


def _stepped_line(torque: FloatArray, assist: FloatArray) -> FittedLine | None:
    """Return the rising line through the medians of steps of torque, or None."""
    step = np.floor(torque / TORQUE_STEP_NM).astype(np.int64)
    numbers, count = np.unique(step, return_counts=True)
    numbers = numbers[count >= LEAST_STEPS]
    if len(numbers) < LEAST_STEPS:
        return None
    x = np.array([np.median(torque[step == number]) for number in numbers])
    y = np.array([np.median(assist[step == number]) for number in numbers])
    line = least_squares(x, y)
    return line if line.slope > 0.0 else None


def _greatest(
    samples: AssistSamples, given: FloatArray, fit: AssistFit, usable: BoolArray
) -> float:
    """Return the assist at which it stays though the gain calls for more; infinite if unseen."""
    speeds, row = np.array(fit.speed_kph), np.array(fit.gains[EVERY_MODE])
    gain = np.interp(np.nan_to_num(samples.speed_kph), speeds, row)
    called = gain * np.maximum(np.abs(samples.driver_nm) - fit.driver_deadband_nm, 0.0)
    top = float(given[usable].max())
    held = usable & (given >= GREATEST_SHARE * top) & (called > CALLED_SHARE * top)
    return float(np.median(given[held])) if held.sum() >= LEAST_HELD else float("inf")


def _bands(lesson: _Lesson) -> IntArray:
    """Return the numbers of the bands of road speed with enough steering."""
    bands, count = np.unique(lesson.band, return_counts=True)
    return bands[count * lesson.period_s >= BAND_LEAST_S]


def _unshown(bands: IntArray) -> tuple[tuple[float, float], ...]:
    """Return the spans of road speed outside these bands."""
    edges = (*SPEED_EDGES_KPH[:-1], np.inf)
    return tuple(
        span
        for number, span in enumerate(itertools.pairwise(edges), start=1)
        if number not in bands
    )


def _tables(
    lesson: _Lesson, bands: IntArray, labels: Mapping[float, str], side_tolerance: float
) -> tuple[FloatArray, dict[str, tuple[float, ...]]]:
    """Return speeds, and for each mode gains that fall with speed or stay."""
    shift = _polish(lesson, bands)
    rows = [np.flatnonzero(lesson.band == band) for band in bands]
    offset = np.array([shift.get(mode, 0.0) for mode in lesson.mode.tolist()])
    gains = [
        _stronger_side(lesson.log_gain[part] - offset[part], lesson.right[part], side_tolerance)
        for part in rows
    ]
    base = falling(np.exp(np.array(gains)), np.array([float(len(part)) for part in rows]))
    speeds = np.array([float(np.median(lesson.speed_kph[part])) for part in rows])
    tables = {EVERY_MODE: tuple(base.tolist())}
    for mode, change in shift.items():
        if mode >= 0.0:
            tables[labels.get(mode, f"{mode:g}")] = tuple((base * np.exp(change)).tolist())
    return speeds, tables


def _polish(lesson: _Lesson, bands: IntArray) -> dict[float, float]:
    """Return how much each mode shifts the logarithm of the gain, by medians in turn.

    The mode that was steered most is the base.

    References
    ----------
    .. [1] Median polish: J. W. Tukey (1977), Exploratory Data Analysis.
    """
    modes, count = np.unique(lesson.mode, return_counts=True)
    known = modes[count * lesson.period_s >= MODE_LEAST_S].tolist()
    base = float(modes[np.argmax(count)])
    shift = dict.fromkeys([base, *known], 0.0)
    for _ in range(ROUNDS):
        offset = np.array([shift.get(mode, 0.0) for mode in lesson.mode.tolist()])
        level = {
            int(band): float(np.median((lesson.log_gain - offset)[lesson.band == band]))
            for band in bands
        }
        inside = np.isin(lesson.band, bands)
        expected = np.array([level.get(int(band), 0.0) for band in lesson.band])
        for mode in shift:
            own = inside & (lesson.mode == mode)
            if own.any():
                shift[mode] = float(np.median((lesson.log_gain - expected)[own]))
        shift = {mode: change - shift[base] for mode, change in shift.items()}
    return shift


def _stronger_side(log_gain: FloatArray, right: BoolArray, side_tolerance: float) -> float:
    """Return the median, or that of the stronger side where the sides differ."""
    middle = float(np.median(log_gain))
    if min(right.sum(), (~right).sum()) < LEAST_STEPS:
        return middle
    one, other = float(np.median(log_gain[right])), float(np.median(log_gain[~right]))
    return max(one, other) if abs(one - other) > -np.log1p(-side_tolerance) else middle
