"""What really happened to assist, from the noiseless channels."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from canassist.demo.plant import faults
from canassist.demo.plant.plant import CAUSES
from canassist.demo.plant.sensors import State
from canassist.demo.truth.observe import Scene, TrueEvent, spans
from canassist.model import BoolArray, EventKind, FloatArray

_DERATE_LASTS_S: Final = 0.3
_DERATE_HOLDS_S: Final = 1.0
_QUARTER: Final = 0.25
_ABOUT: Final = 0.08
_JUDGED_NM: Final = 3.0
_DEVIATES_S: Final = 1.0
_PLAINLY: Final = 1.5
_UNCOMMANDED_NM: Final = 2.0
_UNCOMMANDED_S: Final = 0.3
_REST_RATE_DEG_PER_S: Final = 5.0
_REST_S: Final = 1.0
_CAUSE_NAMES: Final = dict(
    zip(
        CAUSES,
        ("temperature", "voltage", "overvoltage", "speed_signal", "engine_stopped", "unexplained"),
        strict=True,
    )
)


def derates(scene: Scene) -> list[TrueEvent]:
    """Return each reduction of assist; noise plays no part, as the module tells its own limit.

    Without the assist limit on the bus the module's status stands in.
    """
    if scene.has("assist_limit"):
        told = scene.samples("assist_limit")
        below = told.value < scene.limits.full_assist_pct
        back = told.value >= scene.limits.recovered_pct
    elif scene.has("module_status"):
        told = scene.samples("module_status")
        below, back = told.value != State.READY, told.value == State.READY
    else:
        return []
    found = []
    for first, past in spans(
        told.time_s, below, back, lasts_s=_DERATE_LASTS_S, holds_s=_DERATE_HOLDS_S
    ):
        start = float(told.time_s[first])
        end = None if past is None else float(told.time_s[past])
        causes = derate_causes(scene, start, end)
        event = _event(EventKind.DERATE, start, end, causes[0])
        found.append(replace(event, also=tuple(causes[1:])))
    return found


def derate_causes(scene: Scene, start_s: float, end_s: float | None) -> list[str]:
    """Return the cause of a reduction, by what each cause alone takes away.

    Each cause has its own limit in the module and the lowest one holds; a cause
    explains of the assist lost what its own limit would take away. Where the smaller
    of heat and voltage is about a quarter, either answer is right.
    """
    time_s = scene.course.time_s
    end = time_s[-1] if end_s is None else end_s
    rows = (time_s >= start_s) & (time_s <= end) & scene.run.alive
    lost = 100.0 - scene.run.limit_pct[rows]
    own = np.minimum(100.0 - scene.run.caps[:, rows], lost)
    shares = dict(zip(CAUSES, own.sum(axis=1) / max(lost.sum(), 1e-9), strict=True))
    best = _CAUSE_NAMES[max(shares, key=lambda name: float(shares[name]))]
    smaller = min(shares["heat"], shares["low"])
    if best not in {"temperature", "voltage"} or smaller < _QUARTER - _ABOUT:
        return [best]
    both = ["temperature+voltage"]
    if smaller > _QUARTER + _ABOUT:
        return both
    return [*both, best] if smaller >= _QUARTER else [best, *both]


def deviations(scene: Scene) -> list[TrueEvent]:
    """Return where delivered assist is not what the module should have given."""
    effort = scene.samples("assist_torque")
    given = effort.value
    wanted = scene.at(scene.run.nominal_nm, effort.time_s)
    driver = scene.at(scene.run.told_driver_nm, effort.time_s)
    judged = np.maximum(np.abs(given), np.abs(wanted)) >= _JUDGED_NM
    found = []
    for fault in scene.scenario.faults:
        held = (effort.time_s >= fault.from_s) & (effort.time_s < fault.until_s)
        cause = _deviation_cause(fault, scene.limits.assist_tolerance)
        if cause == "uncommanded":
            found += _uncommanded(scene, effort.time_s, given, driver, held)
            continue
        if not cause:
            continue
        off, far = (
            judged & _off(given, wanted, share * scene.limits.assist_tolerance)
            for share in (1.0, _PLAINLY)
        )
        fair = judged & _same_side(cause, driver)
        found += _stretch(effort.time_s, off & held, far & held, fair & ~off, cause)
    return found


def _deviation_cause(fault: faults.Fault, tolerance: float) -> str:
    if isinstance(fault, faults.UncommandedAssist):
        return "uncommanded"
    if isinstance(fault, faults.FixedGainSpeed):
        return "ignores_speed"
    return _factor_cause(fault, tolerance) if isinstance(fault, faults.AssistFactor) else ""


def _factor_cause(fault: faults.AssistFactor, tolerance: float) -> str:
    low, high = 1.0 - tolerance, 1.0 + tolerance
    if max(fault.left, fault.right) < low:
        return "low"
    if min(fault.left, fault.right) > high:
        return "high"
    if fault.left < low:
        return "left_low"
    return "right_low" if fault.right < low else ""


def _off(given: FloatArray, wanted: FloatArray, tolerance: float) -> BoolArray:
    return np.abs(given - wanted) > tolerance * np.abs(wanted)


def _same_side(cause: str, driver: FloatArray) -> BoolArray:
    if cause == "left_low":
        return driver < 0
    return driver > 0 if cause == "right_low" else np.ones(len(driver), dtype=np.bool_)


def _stretch(
    time_s: FloatArray, off: BoolArray, far: BoolArray, good: BoolArray, cause: str
) -> list[TrueEvent]:
    """Return one event from the first sample that is off to the first good one past the last.

    ``far`` marks the samples that are off by so much that nothing can hide it.
    """
    rows = np.flatnonzero(off)
    period = float(np.median(np.diff(time_s)))
    if len(rows) * period < _DEVIATES_S:
        return []
    after = np.flatnonzero(good[rows[-1] :])
    end = float(time_s[rows[-1] + after[0]]) if len(after) else None
    event = _event(EventKind.ASSIST_DEVIATION, float(time_s[rows[0]]), end, cause)
    plain = np.flatnonzero(far)
    latest = float(time_s[plain[0]]) if len(plain) else event.start_s
    return [replace(event, latest_s=max(latest, event.start_s))]


def _uncommanded(
    scene: Scene, time_s: FloatArray, given: FloatArray, driver: FloatArray, held: BoolArray
) -> list[TrueEvent]:
    deadband = scene.scenario.vehicle.assist.deadband_nm
    alone = (np.abs(given) > _UNCOMMANDED_NM) & (driver * np.sign(given) <= deadband)
    spanned = spans(time_s, alone & held, ~alone, lasts_s=_UNCOMMANDED_S)
    found = []
    for first, past in spanned:
        end = None if past is None else float(time_s[past])
        start = float(time_s[first])
        found.append(_event(EventKind.ASSIST_DEVIATION, start, end, "uncommanded"))
    return found


def _event(
    kind: EventKind, start_s: float, end_s: float | None, cause: str | None = None
) -> TrueEvent:
    return TrueEvent(
        kind=str(kind),
        start_s=start_s,
        end_s=end_s,
        cause=cause,
        earliest_s=start_s,
        latest_s=start_s,
    )


def torque_offsets(scene: Scene) -> list[TrueEvent]:
    """Return the torque sensor's offset where it rests beyond its limit."""
    torque = scene.samples("driver_torque")
    resting = at_rest(scene, torque.time_s)
    if not resting.any():
        return []
    if abs(float(np.median(torque.value[resting]))) <= scene.limits.torque_offset_nm:
        return []
    rows = np.flatnonzero(resting)
    start, end = float(torque.time_s[rows[0]]), float(torque.time_s[rows[-1]])
    return [_event(EventKind.TORQUE_OFFSET, start, end)]


def at_rest(scene: Scene, times: FloatArray) -> BoolArray:
    """Tell where nobody steers: hands off, the bar still, for 1 s or more."""
    quiet = (scene.course.hands == 0) & (np.abs(scene.course.rate_deg_per_s) < _REST_RATE_DEG_PER_S)
    edges = np.flatnonzero(np.diff(quiet.astype(np.int8), prepend=0, append=0))
    for first, past in zip(edges[::2], edges[1::2], strict=True):
        if scene.course.time_s[past - 1] - scene.course.time_s[first] < _REST_S:
            quiet[first:past] = False
    return np.asarray(quiet[scene.rows(times)], dtype=np.bool_)
