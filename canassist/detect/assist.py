"""Assist deviation: delivered assist is not what the map calls for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.detect.assist_stretches import AssistStretch, Judged, judge, stretches
from canassist.detect.returning import by_design, return_torque_nm
from canassist.detect.spans import true_runs
from canassist.model import Event, EventKind, Severity
from canassist.physics import assist_samples
from canassist.stats import least_squares
from canassist.timeline import TIME_STEP_S, window_extremes

if TYPE_CHECKING:
    from canassist.model import BoolArray, FloatArray, Physics, Profile, Timeline
    from canassist.physics import AssistSamples

STEERING_S: Final = 1.0
"""A deviation takes this much steering in all (the contract's figure)."""

UNCOMMANDED_NM: Final = 2.0
"""Assist beyond this without or against driver torque is uncommanded (contract's figure) ..."""

UNCOMMANDED_S: Final = 0.3
"""... for this long (the contract's figure)."""

LEARNED_FACTOR: Final = 1.5
"""A map learned from the ride is less certain than a given one: its tolerance is wider by this."""

TORQUE_AROUND_S: Final = 0.15
"""Driver torque must have been absent or opposite this long before and after, so that assist
that trails behind a quick change of sides is none of it."""

BY_DESIGN_SHARE: Final = 0.6
"""A stretch is by design where the steering returns, or is braked, over this share of it."""

UNTOLD_S: Final = 1.0
"""Around a status that means reduced assist, what is delivered is not judged for this long."""

REST_S: Final = 0.3
"""Assist that rests with the driver for this long parts two uncommanded stretches."""

SIDE_LEAST_S: Final = 0.3
"""The other side must have been as it should be for this long to call a deviation one-sided."""

GAIN_RANGE: Final = 1.35
"""The map's gain must vary by this factor over the ride to tell that speed is ignored."""

FLAT_SLOPE: Final = 0.4
"""Speed is ignored where the delivered gain follows the map's gain by less than this power."""

FLAT_LEAST_S: Final = 3.0
"""... over this much steering."""

NEAR_MAX: Final = 0.98
"""Assist above this share of its greatest says nothing on the gain."""


def find_assist_deviations(timeline: Timeline, profile: Profile, physics: Physics) -> list[Event]:
    """Find where delivered assist differs from what speed, torque, mode and limit call for.

    Nothing is found without driver torque and assist torque, or without a map from the
    profile or learned: who else may steer is not known then. A torque of unknown sign supports no
    side, and no uncommanded assist; assist that is weak to one of two nameless sides is ``low``.

    Returns
    -------
    list of Event
        In time order. ``measured`` and ``expected`` hold the mean assist as
        ``assist_nm`` and their ratio as ``assist_share``. Return to centre and damping are by
        design and left out; without a steering angle they cannot be told apart from
        uncommanded assist, which ``measured["missing"]`` then says.
    """
    if physics.assist is None or physics.assist.map_from == "none":
        return []
    samples = assist_samples(timeline, physics.assist, physics.limit_lines)
    if samples is None or not len(samples.time_s):
        return []
    signs_known = all(
        timeline.channels[name].sign_known for name in ("assist_torque", "driver_torque")
    )
    without = np.zeros(len(samples.time_s), dtype=np.bool_)
    designed = by_design(timeline, samples.time_s, samples.delivered_nm)
    if signs_known:
        without = _uncommanded_samples(samples, physics.assist.driver_deadband_nm)
    uncommanded = _unasked(_uncommanded(samples, without), without, designed)
    tolerance = profile.limits.assist_tolerance
    if physics.assist.map_from == "ride":
        tolerance *= LEARNED_FACTOR
    judged = judge(
        samples,
        tolerance=tolerance,
        leave_out=_covered(samples.time_s, uncommanded)
        | _limit_untold(timeline, profile, samples.time_s),
        allowance_nm=return_torque_nm(
            samples,
            designed,
            deadband_nm=physics.assist.driver_deadband_nm,
            known=bool(profile.protection.returns_to_center),
        ),
    )
    found = [(stretch, "uncommanded") for stretch in uncommanded]
    flat_gain = _flat_gain(samples, judged, physics.assist.max_assist_nm)
    if flat_gain is not None:
        found += _ignoring_speed(samples, judged, flat_gain, tolerance)
    else:
        found += _one_way(judged, -1, signs_known=signs_known)
        found += _one_way(judged, 1, signs_known=signs_known)
    return sorted(
        (
            _event(stretch, cause, samples, judged, told=designed is not None)
            for stretch, cause in found
        ),
        key=lambda event: event.start_s,
    )


def _uncommanded_samples(samples: AssistSamples, deadband_nm: float) -> BoolArray:
    """Tell where assist is more than 2 N·m without or against driver torque."""
    lowest, highest = window_extremes(
        samples.time_s, samples.driver_nm, before_s=TORQUE_AROUND_S, after_s=TORQUE_AROUND_S
    )
    right = (samples.delivered_nm > UNCOMMANDED_NM) & (highest < deadband_nm)
    left = (samples.delivered_nm < -UNCOMMANDED_NM) & (lowest > -deadband_nm)
    return np.asarray(right | left)


def _uncommanded(samples: AssistSamples, without: BoolArray) -> list[AssistStretch]:
    """Find uncommanded stretches of 0.3 s, joined where nothing between speaks against it."""
    runs = true_runs(samples.time_s, without, stale_after_s=samples.stale_after_s)
    long_enough = runs.seconds >= UNCOMMANDED_S - TIME_STEP_S
    if not long_enough.any():
        return []
    off_nm = _off(samples)
    calm = true_runs(
        samples.time_s, off_nm < UNCOMMANDED_NM / 2.0, stale_after_s=samples.stale_after_s
    )
    calm_first = calm.first[calm.seconds >= REST_S]
    found: list[AssistStretch] = []
    for first, stop, seconds in zip(*(part[long_enough] for part in runs), strict=True):
        if found and found[-1].stop is not None and found[-1].stop > first:
            found[-1] = _longer(found[-1], int(stop) - 1, float(seconds))
            continue
        place = np.searchsorted(calm_first, first)
        ends = int(calm_first[place]) if place < len(calm_first) else None
        if found and found[-1].stop is None:
            found[-1] = _longer(found[-1], int(stop) - 1, float(seconds))
            continue
        found.append(AssistStretch(int(first), int(stop) - 1, ends, float(seconds)))
    return found


def _unasked(
    found: list[AssistStretch], without: BoolArray, designed: BoolArray | None
) -> list[AssistStretch]:
    """Leave out stretches in which the module returns to centre or damps, by design."""
    if designed is None:
        return found
    kept = []
    for stretch in found:
        rows = np.arange(stretch.first, stretch.last + 1)
        rows = rows[without[rows]]
        if designed[rows].mean() < BY_DESIGN_SHARE:
            kept.append(stretch)
    return kept


def _off(samples: AssistSamples) -> FloatArray:
    """Return by how much assist is off; where no map tells, all that is not with the driver."""
    with_driver = np.maximum(samples.delivered_nm * np.sign(samples.driver_nm), 0.0)
    unasked = np.abs(samples.delivered_nm) - with_driver
    off_nm = np.abs(samples.delivered_nm - samples.expected_nm)
    return np.where(np.isnan(off_nm), unasked, off_nm)


def _longer(stretch: AssistStretch, last: int, seconds: float) -> AssistStretch:
    return stretch._replace(last=last, seconds=stretch.seconds + seconds)


def _limit_untold(timeline: Timeline, profile: Profile, time_s: FloatArray) -> BoolArray:
    """Tell where only a status word says that assist is reduced: not how much there should be."""
    untold = np.zeros(len(time_s), dtype=np.bool_)
    channel = timeline.get("module_status")
    if channel is None or timeline.has("assist_limit"):
        return untold
    known_s, number = channel.valid()
    words = profile.status_reduced | profile.status_off
    reduced = np.array(
        [bool({channel.labels.get(one, ""), f"{one:g}"} & words) for one in number.tolist()],
        dtype=np.bool_,
    )
    for at_s in known_s[reduced]:
        first, stop = np.searchsorted(time_s, (at_s - UNTOLD_S, at_s + UNTOLD_S))
        untold[first:stop] = True
    return untold


def _covered(time_s: FloatArray, found: list[AssistStretch]) -> BoolArray:
    covered = np.zeros(len(time_s), dtype=np.bool_)
    for stretch in found:
        stop = len(time_s) if stretch.stop is None else stretch.stop
        start_s, end_s = time_s[stretch.first] - 1.0, time_s[stop - 1] + 1.0
        covered |= (time_s >= start_s) & (time_s <= end_s)
    return covered


def _flat_gain(samples: AssistSamples, judged: Judged, max_assist_nm: float) -> float | None:
    """Return the one gain that assist has at every speed, or None where it follows the map."""
    wrong = np.flatnonzero(judged.known & (judged.verdict != 0))
    if not len(wrong):
        return None
    rows = np.arange(wrong[0], wrong[-1] + 1)
    expected, delivered = np.abs(samples.expected_nm[rows]), np.abs(samples.delivered_nm[rows])
    share = samples.limit_share[rows]
    with np.errstate(invalid="ignore"):  # no ceiling times no assist: unknown, and not clear
        ceiling_nm = NEAR_MAX * max_assist_nm * share
    clear = judged.known[rows] & (np.maximum(expected, delivered) < ceiling_nm)
    clear &= (expected > 0.0) & (delivered > 0.0)
    rows, expected, delivered = rows[clear], expected[clear], delivered[clear]
    if judged.seconds[rows].sum() < FLAT_LEAST_S:
        return None
    map_gain = np.log(samples.gain[rows])
    if np.ptp(np.quantile(map_gain, (0.05, 0.95))) < np.log(GAIN_RANGE):
        return None
    actual = map_gain + np.log(delivered / expected)
    slope = least_squares(map_gain, actual).slope
    if slope >= FLAT_SLOPE or np.std(actual) >= np.std(actual - map_gain):
        return None
    return float(np.exp(np.median(actual)))


def _ignoring_speed(
    samples: AssistSamples, judged: Judged, flat_gain: float, tolerance: float
) -> list[tuple[AssistStretch, str]]:
    """Find stretches in which the gain stays the same; where the map has it too, none can tell."""
    apart = np.abs(flat_gain / samples.gain - 1.0) > tolerance
    wanted = judged.verdict != 0
    found = stretches(judged, wanted, judged.known & (apart | wanted))
    return [(stretch, "ignores_speed") for stretch in found if _long(stretch)]


def _one_way(judged: Judged, which: int, *, signs_known: bool) -> list[tuple[AssistStretch, str]]:
    """Find stretches that are too low (-1) or too high (1), to one side or to both."""
    word = "low" if which < 0 else "high"
    wanted = judged.known & (judged.verdict == which)
    if which > 0:
        return [(item, word) for item in stretches(judged, wanted, judged.known) if _long(item)]
    both = np.zeros(len(wanted), dtype=np.bool_)
    found: list[tuple[AssistStretch, str]] = []
    names = ("left_low", "right_low") if signs_known else (word, word)
    for side, name in zip((-1, 1), names, strict=True):
        own = judged.known & (judged.side == side)
        for stretch in stretches(judged, wanted & own, own):
            if _other_side_is_right(judged, stretch, -side):
                found += [(stretch, name)] if _long(stretch) else []
            else:
                both[stretch.first : stretch.last + 1] |= (wanted & own)[
                    stretch.first : stretch.last + 1
                ]
    found += [(item, word) for item in stretches(judged, both, judged.known) if _long(item)]
    return found


def _other_side_is_right(judged: Judged, stretch: AssistStretch, side: int) -> bool:
    """Tell whether assist to the other side is as it should be, then or else in the ride."""
    for rows in (slice(stretch.first, stretch.last + 1), slice(None)):
        own = judged.known[rows] & (judged.side[rows] == side)
        right_s = float(judged.seconds[rows][own & (judged.verdict[rows] == 0)].sum())
        wrong_s = float(judged.seconds[rows][own & (judged.verdict[rows] != 0)].sum())
        if max(right_s, wrong_s) >= SIDE_LEAST_S:
            return right_s > wrong_s
    return False


def _long(stretch: AssistStretch) -> bool:
    return stretch.seconds >= STEERING_S - TIME_STEP_S


def _event(
    stretch: AssistStretch, cause: str, samples: AssistSamples, judged: Judged, *, told: bool
) -> Event:
    rows = np.arange(stretch.first, stretch.last + 1)
    if cause != "uncommanded":
        rows = rows[judged.known[rows] & (judged.verdict[rows] != 0)]
    measured: dict[str, float] = {
        "assist_nm": _mean_size(samples.delivered_nm[rows]),
        "deviating_s": stretch.seconds,
        "driver_torque_nm": _mean_size(samples.driver_nm[rows]),
        "vehicle_speed_kph": _mean_size(samples.speed_kph[rows]),
    }
    expected = {"assist_nm": _mean_size(samples.expected_nm[rows])}
    if expected["assist_nm"] > 0.0 and cause != "uncommanded":
        measured["assist_share"] = measured["assist_nm"] / expected["assist_nm"]
        expected["assist_share"] = 1.0
    untold = cause == "uncommanded" and not told
    missing: dict[str, str] = {"missing": "steering_angle"} if untold else {}
    return Event(
        kind=EventKind.ASSIST_DEVIATION,
        start_s=float(samples.time_s[stretch.first]),
        end_s=None if stretch.stop is None else float(samples.time_s[stretch.stop]),
        cause=cause,
        severity=Severity.SERIOUS if cause == "uncommanded" else Severity.WARNING,
        measured={
            **{name: value for name, value in measured.items() if not np.isnan(value)},
            **missing,
        },
        expected={name: value for name, value in expected.items() if not np.isnan(value)},
    )


def _mean_size(values: FloatArray) -> float:
    """Return the mean of the sizes that are known; NaN where none is."""
    known = np.abs(values[~np.isnan(values)])
    return float(known.mean()) if len(known) else float("nan")
