"""Supply: path resistance, charging voltage by engine speed, supply under steering load."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.comparison.matched import Cells, bin_of, crossed, matched, stretches
from canassist.comparison.measured_figure import (
    Measured,
    NotComparable,
    all_have,
    from_matched,
    lacking,
    resolution,
    spread,
)
from canassist.comparison.significance import gap_of
from canassist.model import Overlay, Points
from canassist.physics import starter_turns, within
from canassist.stats import pooled
from canassist.timeline import between, value_at, with_known_units

if TYPE_CHECKING:
    from canassist.comparison.matched import Matched
    from canassist.comparison.measured_figure import Side
    from canassist.model import FloatArray, Result

CURRENT_A: Final = (*np.arange(5.0, 100.0, 5.0).tolist(), 300.0)
"""Bins of module current under steering load; narrow, because supply falls along them."""

REST_A: Final = 3.0
"""Below this current the path drops next to nothing and charging shows."""

RPM: Final = (500.0, 900.0, 1100.0, 1300.0, 1500.0, 1800.0, 2200.0, 2700.0, 3400.0, 4500.0, 20000.0)
"""Bins of engine speed: what an alternator can give rises with it."""

LOAD_STRETCH_S: Final = 6.0
"""A steering manoeuvre lasts a few seconds: stretches of this length count as independent."""

CHARGING_STRETCH_S: Final = 10.0
"""Supply swings with steering for seconds: stretches of this length count as independent."""

AFTER_START_S: Final = 5.0
"""The starter leaves the battery low for some seconds."""

WORDS: Final = {
    "supply_voltage": "supply voltage",
    "engine_speed": "engine speed",
    "module_current": "module current",
}


def compare_path(a: Side, b: Side) -> Measured | NotComparable:
    """Compare the resistance of wiring, connectors and grounds, each ride's own estimate."""
    own = [[one.physics.supply_path for one in side] for side in (a, b)]
    found = [[path for path in side if path is not None] for side in own]
    values = [pooled([path.path_ohm.repeatability() for path in side]) for side in found]
    one, other = values
    if one is None or other is None:
        label = "A" if one is None else "B"
        why = f"{{{label}}} does not show the supply path apart from the battery"
        return NotComparable(lacking(a, b, "module_current", words=WORDS) or why, one, other)
    methods = {path.method for side in found for path in side}
    if len(methods) > 1:
        words = " and ".join(sorted(methods)).replace("_", " ")
        return NotComparable(f"the two sides show it in different ways ({words})", one, other)
    return Measured(
        a=one,
        b=other,
        gap=gap_of(one, other),
        conditions="the fall of supply per ampere, within stretches of steering",
    )


def compare_charging(a: Side, b: Side, charging_rpm: float) -> Measured | NotComparable:
    """Compare the supply at next to no module current, by engine speed."""
    missing = lacking(a, b, "supply_voltage", "engine_speed", words=WORDS)
    if missing:
        return NotComparable(missing)
    edges = (charging_rpm, *(rpm for rpm in RPM if rpm > charging_rpm))
    parts = []
    for side in (a, b):
        tables = [_charging(result, edges) for result in side]
        parts.append(Cells.joined(tables, len(edges) - 1))
    floor = max(resolution(side, "supply_voltage") for side in (a, b))
    found = matched(parts[0], parts[1], "V", floor=floor)
    if found is None:
        return NotComparable("too little time at the same engine speed above the charging speed")
    middles = np.array([(low + high) / 2.0 for low, high in itertools.pairwise(edges)])
    middles[-1] = edges[-2]
    overlay = Overlay(
        name="charging",
        message="Supply with the module at rest, by engine speed",
        x_words="Engine speed",
        x_unit="rpm",
        y_words="Supply at the module",
        y_unit="V",
        a=Points(x=middles[found.bins], y=found.means_a),
        b=Points(x=middles[found.bins], y=found.means_b),
    )
    overlays = (overlay,) if len(found.bins) > 1 else ()
    words = "engine speed above the charging speed, module current next to none"
    return from_matched(found, words, overlays)


def _charging(result: Result, edges: tuple[float, ...]) -> Cells:
    timeline = with_known_units(result.timeline)
    time_s, supply_v, rpm, current_a = _rows(result)
    code = bin_of(rpm, edges)
    if timeline.has("module_current") or timeline.has("motor_current"):
        code = np.where(np.abs(current_a) < REST_A, code, -1)
    ones = np.ones(len(time_s))
    stretch = stretches(time_s, CHARGING_STRETCH_S)
    return Cells.sums(stretch, code, supply_v, ones, bins=len(edges) - 1)


def compare_under_load(a: Side, b: Side) -> Measured | NotComparable:
    """Compare the supply at the same module current and engine speed."""
    names = ["supply_voltage", "engine_speed"]
    current = "module_current" if all_have(a + b, "module_current") else "motor_current"
    missing = lacking(a, b, *names, current, words=WORDS)
    if missing:
        return NotComparable(missing)
    bins = (len(CURRENT_A) - 1) * (len(RPM) - 1)
    parts = [Cells.joined([_under_load(r, current) for r in side], bins) for side in (a, b)]
    floor = max(resolution(side, "supply_voltage") for side in (a, b))
    found = matched(parts[0], parts[1], "V", floor=floor)
    if found is None:
        return NotComparable("too little steering at the same current and engine speed")
    words = f"{current.replace('_', ' ')} and engine speed"
    return from_matched(found, words, _load_overlays(parts, found))


def _load_overlays(parts: list[Cells], found: Matched) -> tuple[Overlay, ...]:
    bins = found.bins
    columns = bins // (len(RPM) - 1)
    numbers = np.unique(columns)
    curves = []
    for means in (found.means_a, found.means_b):
        weight = np.minimum(*(part.weight.sum(axis=0)[bins] for part in parts))
        level = [np.average(means[columns == n], weights=weight[columns == n]) for n in numbers]
        middle = [CURRENT_A[n] + 2.5 for n in numbers.tolist()]
        curves.append(Points(x=np.array(middle), y=np.array(level)))
    shown = []
    if len(numbers) > 1:
        shown.append(
            Overlay(
                name="supply-load",
                message="Supply at the module against its current, same engine speeds",
                x_words="Module current",
                x_unit="A",
                y_words="Supply at the module",
                y_unit="V",
                a=curves[0],
                b=curves[1],
            )
        )
    message = "Supply under steering load, stretch by stretch"
    shown.append(spread("supply-spread", message, "Supply at the module", "V", found))
    return tuple(shown)


def _under_load(result: Result, current: str) -> Cells:
    time_s, supply_v, rpm, current_a = _rows(result, current)
    code, bins = crossed(
        (bin_of(np.abs(current_a), CURRENT_A), len(CURRENT_A) - 1),
        (bin_of(rpm, RPM), len(RPM) - 1),
    )
    stretch = stretches(time_s, LOAD_STRETCH_S)
    return Cells.sums(stretch, code, supply_v, np.ones(len(time_s)), bins=bins)


def _rows(
    result: Result, current: str = ""
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return times, supply, engine speed and current outside starting; empty without supply."""
    timeline = with_known_units(result.timeline)
    supply = timeline.get("supply_voltage")
    if supply is None or supply.stands_in:
        return (np.empty(0),) * 4
    time_s, supply_v = supply.valid()
    turns = tuple(
        turn._replace(end_s=turn.end_s + AFTER_START_S) for turn in starter_turns(timeline)
    )
    keep = ~within(time_s, turns)
    time_s, supply_v = time_s[keep], supply_v[keep]
    name = current or ("module_current" if timeline.has("module_current") else "motor_current")
    amps = timeline.get(name)
    current_a = (
        np.full(len(time_s), np.nan)
        if amps is None
        else between(amps.time_s, amps.value, time_s, max_gap_s=amps.stale_after_s)
    )
    return time_s, supply_v, value_at(timeline, "engine_speed", time_s), current_a
