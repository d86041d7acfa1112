"""Why assist was reduced: the trigger at its onset, and the law that describes its course."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.detect.derate.derate_levels import by_levels
from canassist.detect.derate.derate_shares import loss_shares
from canassist.detect.derate.onset import (
    Onset,
    missing_channels,
    onset_of,
    standing_triggers,
)
from canassist.detect.derate.start_up import (
    RAMP_MOST_S,
    Began,
    comes_back,
    coming_up,
    is_start_up,
    what_began,
)
from canassist.model import Severity
from canassist.physics import FULL_PCT, rolling
from canassist.timeline import value_at

if TYPE_CHECKING:
    from canassist.detect.derate.derate_scene import DerateScene
    from canassist.detect.derate.derate_shares import LossShares

QUARTER: Final = 0.25
"""Heat and supply are both named where each alone explains this share (the contract's figure)."""

HALF: Final = 0.5
"""Less than this explained by everything that is known leaves a derate unexplained."""

DEEPENS_PCT: Final = 10.0
"""Another trigger is named where it deepens a reduction by this (the contract's figure)."""

BEYOND_LEAST: Final = 0.1
"""Share of the loss beyond what the trigger's line asks for that is worth telling."""

STARTS: Final = frozenset({"silence", "engine_start", "log_begin"})
"""What a limit may come up after by itself."""

LINES: Final = frozenset({"temperature", "voltage"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Reasons:
    """What a derate is put down to; ``cause`` None: cannot be told."""

    cause: str | None
    severity: Severity
    shares: Mapping[str, float]
    losses: LossShares
    also: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    after: str = ""
    onset: Onset


def explain(
    scene: DerateScene, rows: slice, *, depth_known: bool = True, ended: bool = True
) -> Reasons:
    """Find what triggered a reduction, and how much of it each cause explains.

    Parameters
    ----------
    rows : slice
        The derate's samples in the scene.
    depth_known : bool
        False where a status word told of it: then each cause explains a sample whole or
        not at all.
    ended : bool
        Whether the log shows its end.
    """
    onset = onset_of(scene, rows.start)
    losses = loss_shares(scene, rows, depth_known=depth_known)
    began = what_began(scene, onset)
    after = began.after
    standing = standing_triggers(scene, onset, back_row=rows.stop if ended else None)
    missing = missing_channels(scene, onset)
    cause: str | None = _cause(scene, rows, _AtOnset(standing, losses, began, ended, depth_known))
    back = bool(after) and comes_back(scene, coming_up(scene, rows, began))
    if cause == "unexplained":
        untold = missing or back or not onset.seen or _mode_changed(scene, onset)
        cause = None if untold else cause
    also = _also(scene, rows, cause, losses) if depth_known else ()
    return Reasons(
        cause=cause,
        severity=Severity.NOTE
        if cause is None and after == "log_begin" and back and ended and _brief(scene, rows)
        else _severity(scene, onset, cause, after),
        shares=_shares(losses, cause, also),
        losses=losses,
        also=also,
        missing=missing if cause is None else (),
        after=after if cause in {None, "start_up"} else "",
        onset=onset,
    )


class _AtOnset(NamedTuple):
    """What is known of one onset: what stands, what the laws ask for, what it comes after."""

    standing: tuple[str, ...]
    losses: LossShares
    began: Began
    ended: bool
    depth_known: bool


def _cause(scene: DerateScene, rows: slice, known: _AtOnset) -> str:
    """Return the contract's word; ``"unexplained"`` where nothing stands or explains half."""
    by_trigger = _by_trigger(scene, rows, known)
    if by_trigger:
        return by_trigger
    by_course = known.losses.verdict()
    if by_course != "unexplained":
        return by_course
    return by_levels(scene, rows) or "unexplained"


def _by_trigger(scene: DerateScene, rows: slice, known: _AtOnset) -> str:
    """Return the cause that what stands at the onset names, or ""."""
    if "engine_stopped" in known.standing and _ends_with_the_stop(scene, rows, ended=known.ended):
        return "engine_stopped"
    if "overvoltage" in known.standing:
        return "overvoltage"
    lines = LINES & set(known.standing)
    after = known.began.after
    told = after != "log_begin" or _lines_told(scene, rows)
    begins = after in STARTS and not lines and told
    if begins and is_start_up(scene, rows, known.began):
        return "start_up"
    if "speed_signal" in known.standing and (not lines or known.losses.lines < HALF):
        return "speed_signal"
    return _of_lines(known, lines) if lines else ""


def _ends_with_the_stop(scene: DerateScene, rows: slice, *, ended: bool) -> bool:
    """Tell whether a reduction beside a stopped engine is over, or only climbs, once it runs."""
    lost_pct = FULL_PCT - np.minimum(scene.assist.available_pct[rows], FULL_PCT)
    running = ~scene.engine_off[rows]
    beside = float(lost_pct[running].sum())
    if beside < HALF * float(lost_pct.sum()):
        return True
    again = rows.start + int(np.argmax(running))
    if not comes_back(scene, slice(again, rows.stop)):
        return False
    stop = min(rows.stop, len(scene.time_s) - 1)
    return ended and float(scene.time_s[stop] - scene.time_s[again]) <= RAMP_MOST_S


def _of_lines(known: _AtOnset, lines: set[str] | frozenset[str]) -> str:
    """Return heat, supply or both: each alone must explain a quarter to be named beside another.

    Where only a status word tells, each explains all or nothing, and the trigger is named.
    """
    both = known.losses.of_lines_both()
    if both and (known.depth_known or len(lines) > 1):
        return "temperature+voltage"
    if len(lines) == 1:
        return next(iter(lines))
    share = known.losses.shares
    return "temperature" if share["temperature"] >= share["voltage"] else "voltage"


def _lines_told(scene: DerateScene, rows: slice) -> bool:
    """Tell whether temperature and supply are known over a reduction."""
    heat, supply = scene.temperature_c[rows], scene.supply_v[rows]
    return bool(not np.isnan(heat).all() and not np.isnan(supply).all())


def _mode_changed(scene: DerateScene, onset: Onset) -> bool:
    """Tell whether the rider's mode changed as assist fell."""
    channel = scene.timeline.get("assist_mode")
    if channel is None:
        return False
    before, now = value_at(scene.timeline, "assist_mode", np.array([onset.from_s, onset.to_s]))
    return bool(before != now) and not (np.isnan(before) or np.isnan(now))


def _also(
    scene: DerateScene, rows: slice, cause: str | None, losses: LossShares
) -> tuple[str, ...]:
    """Return other triggers that deepen a reduction by 10 points or more, in order.

    ``"unexplained"`` is one where assist falls so far without any, and its lines do not
    ask for it.
    """
    level = np.minimum(scene.assist.available_pct[rows], 100.0)
    lowest = np.minimum.accumulate(level)
    found: list[str] = []
    told = float(level[0])
    named = set((cause or "").split("+"))
    row = 0
    while True:
        deeper = np.flatnonzero(lowest[row:] <= told - DEEPENS_PCT)
        if not len(deeper):
            return tuple(found)
        row += int(deeper[0])
        told = float(lowest[row])
        standing = standing_triggers(scene, onset_of(scene, rows.start + row))
        asked = losses.called_pct[:, row].max() >= HALF * (100.0 - told)
        new = [one for one in standing if one not in named]
        if not standing and not asked and named - {"", "unexplained", "start_up"}:
            new = ["unexplained"]
        found += [one for one in new if one not in found]


def _shares(losses: LossShares, cause: str | None, also: tuple[str, ...]) -> dict[str, float]:
    """Return each cause's share; what no line asks for belongs to the trigger.

    Unless assist fell again without one.
    """
    shares = dict(losses.shares)
    if cause is None or cause == "unexplained" or "unexplained" in also:
        return shares
    for one in cause.split("+"):
        shares[one] = shares.get(one, 0.0)
    first = max(cause.split("+"), key=lambda one: shares[one])
    shares[first] = min(shares[first] + shares["unexplained"], 1.0)
    shares["unexplained"] = 0.0
    return shares


def _brief(scene: DerateScene, rows: slice) -> bool:
    """Tell whether a limit that nobody saw fall, and that only climbs, is soon back."""
    stop = min(rows.stop, len(scene.time_s) - 1)
    return float(scene.time_s[stop] - scene.time_s[rows.start]) <= RAMP_MOST_S


def _severity(scene: DerateScene, onset: Onset, cause: str | None, after: str) -> Severity:
    if cause == "engine_stopped":
        stopped = [s for s in scene.life.engine_stops_s if onset.from_s <= s <= onset.to_s]
        stalled = bool(stopped) and rolling(scene.timeline, max(stopped))
        return Severity.WARNING if stalled else Severity.NOTE
    if cause == "start_up":
        return Severity.WARNING if after == "silence" else Severity.NOTE
    return Severity.SERIOUS if cause == "unexplained" else Severity.WARNING
