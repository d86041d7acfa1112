"""Two sides matched by riding condition, and what differs between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canassist.comparison.air_speed import under_like_air
from canassist.comparison.assist_figures import compare_assist
from canassist.comparison.comparison_texts import called, named
from canassist.comparison.headline import explains, headline
from canassist.comparison.heating_figures import compare_heating, compare_time_constant
from canassist.comparison.margins import margins
from canassist.comparison.measured_figure import Measured, NotComparable, Side
from canassist.comparison.protection_figures import compare_derated, compare_onset
from canassist.comparison.repair import repairs
from canassist.comparison.signal_figures import compare_offset, compare_quality
from canassist.comparison.significance import SpreadDifference
from canassist.comparison.supply_figures import compare_charging, compare_path, compare_under_load
from canassist.comparison.vehicle_identity import check_one_vehicle, relation_of
from canassist.comparison.verdicts import FAMILY_LEVEL, METHOD, judge_figures, one_sided
from canassist.model import CompareSide, Comparison, FigureName, Finding, Result, VehicleRelation
from canassist.physics import supply_limits_hold

if TYPE_CHECKING:
    from canassist.comparison.assist_figures import AssistFigures
    from canassist.model import Case, Figure

Rides = Result | Sequence[Result]


def compare(
    result_a: Rides,
    result_b: Rides,
    *,
    names: tuple[str, str] = ("A", "B"),
    same_vehicle: bool = False,
    case: Case | None = None,
) -> Comparison:
    """Compare two vehicles, or one before and after a repair.

    Like is compared with like: only riding conditions that both sides have count.

    Parameters
    ----------
    result_a, result_b : Result or sequence of Result
        One ride, or several rides of one vehicle, of each side; what `analyze` gives.
    names : pair of str
        How the sides are called.
    same_vehicle : bool
        Both sides are one vehicle, where the bus does not say so: only then is a fault that is
        gone called repaired.
    case : Case, optional
        What the workshop says about the job.

    Returns
    -------
    Comparison
        Each figure with its difference, interval and verdict; `headline` says it in one
        sentence. Margins come from A's profile.

    Raises
    ------
    ValueError
        If a side holds no ride.
    InputError
        If a side's rides come from several vehicles.
    """
    a, b = _rides(result_a), _rides(result_b)
    for label, side, name in zip("AB", (a, b), names, strict=True):
        check_one_vehicle(side, called(label, name))
    same = _same_recording(a, b)
    relation, relation_text = relation_of(a, b, said_same=same_vehicle)
    if same:
        relation, relation_text = VehicleRelation.ONE, "{A} and {B} are the same recording."
    found, assist = _measure(a, b, same=same)
    if same:
        found = {name: _no_gap(item) for name, item in found.items()}
    margin_of = margins(a[0].profile.limits)
    figures = judge_figures(_with_margins_that_hold(found, a), margin_of)
    figures = one_sided(figures, {"left": assist.left, "right": assist.right})
    unnamed = Comparison(
        version=a[0].version,
        a=CompareSide(name=names[0], results=a),
        b=CompareSide(name=names[1], results=b),
        figures=figures,
        headline=headline(figures, same_recording=same),
        explains=explains(figures, a, b),
        repairs=repairs(a, b, relation),
        not_compared=tuple(item.text for item in figures if item.difference is None),
        overlays=tuple(
            overlay
            for item in found.values()
            if isinstance(item, Measured)
            for overlay in item.overlays
        ),
        method=METHOD,
        family_level=FAMILY_LEVEL,
        tests=sum(item.chance is not None for item in figures),
        same_recording=same,
        relation=relation,
        relation_text=relation_text,
        said_same=same_vehicle,
        case=case,
        notes=tuple(_notes(a, b, figures)),
    )
    return with_names(unnamed)


def with_names(found: Comparison) -> Comparison:
    """Return a comparison whose sentences name both sides."""
    names = (found.a.name, found.b.name)

    def say(text: str) -> str:
        return named(text, names)

    return replace(
        found,
        figures=tuple(replace(item, text=say(item.text)) for item in found.figures),
        headline=say(found.headline),
        explains=say(found.explains),
        relation_text=say(found.relation_text),
        repairs=tuple(
            replace(item, text=say(item.text), after=say(item.after), ridden=say(item.ridden))
            for item in found.repairs
        ),
        not_compared=tuple(map(say, found.not_compared)),
        notes=tuple(map(say, found.notes)),
    )


def _rides(given: Rides) -> Side:
    rides = (given,) if isinstance(given, Result) else tuple(given)
    if not rides:
        message = "a side needs at least one ride"
        raise ValueError(message)
    return rides


def _measure(
    a: Side, b: Side, *, same: bool
) -> tuple[dict[FigureName, Measured | NotComparable], AssistFigures]:
    limits = a[0].profile.limits
    margin_of = margins(limits)
    assist = compare_assist(a, b)
    found = {
        FigureName.ASSIST_GAIN: assist.gain,
        FigureName.SIDE_DIFFERENCE: assist.sides,
        FigureName.TORQUE_OFFSET: compare_offset(a, b),
        FigureName.PATH_RESISTANCE: compare_path(a, b),
        FigureName.CHARGING_VOLTAGE: compare_charging(a, b, limits.charging_rpm),
        FigureName.SUPPLY_UNDER_LOAD: compare_under_load(a, b),
        FigureName.HEATING: compare_heating(a, b, None if same else margin_of[FigureName.HEATING]),
        FigureName.TIME_CONSTANT: under_like_air(
            compare_time_constant(a, b), a, b, margin_of[FigureName.TIME_CONSTANT]
        ),
        FigureName.DERATE_ONSET_TEMPERATURE: compare_onset(
            a, b, "temperature", "module_temperature", "degC"
        ),
        FigureName.DERATE_ONSET_VOLTAGE: compare_onset(a, b, "voltage", "supply_voltage", "V"),
        FigureName.DERATED_SECONDS: compare_derated(a, b, limits),
        FigureName.SIGNAL_QUALITY: compare_quality(a, b),
    }
    return found, assist


def _no_gap(item: Measured | NotComparable) -> Measured | NotComparable:
    """Take the difference of a recording to itself for what it is: nothing at all."""
    if isinstance(item, NotComparable):
        return item
    nothing = SpreadDifference(
        value=0.0,
        spread_low=0.0,
        spread_high=0.0,
        degrees=item.gap.degrees,
        count=item.gap.count,
        relative=item.gap.relative,
    )
    return replace(item, b=item.a, gap=nothing)


def _with_margins_that_hold(
    found: dict[FigureName, Measured | NotComparable], a: Side
) -> dict[FigureName, Measured | NotComparable]:
    """Drop verdicts on voltages whose margin is for another nominal supply."""
    first, margin_of = a[0], margins(a[0].profile.limits)
    why = "the default limits are for 12 V; give this vehicle's in the profile"
    kept = dict(found)
    for name, item in found.items():
        volts = tuple(limit for limit in margin_of[name].limits if limit.endswith("_v"))
        holds = not volts or supply_limits_hold(first.timeline, first.profile, *volts)
        if isinstance(item, Measured) and not holds:
            kept[name] = NotComparable(why, item.a, item.b)
    return kept


def _same_recording(a: Side, b: Side) -> bool:
    """Tell whether both sides hold the very same samples of the same channels."""
    return len(a) == len(b) and all(
        _same_samples(one, other) for one, other in zip(a, b, strict=True)
    )


def _same_samples(one: Result, other: Result) -> bool:
    if one.profile != other.profile or one.channels.keys() != other.channels.keys():
        return False
    return all(
        np.array_equal(channel.time_s, other.channels[name].time_s)
        and np.array_equal(channel.value, other.channels[name].value, equal_nan=True)
        for name, channel in one.channels.items()
    )


def _notes(a: Side, b: Side, figures: tuple[Figure, ...]) -> list[str]:
    """Say what the reader should know of the comparison as a whole."""
    notes = []
    if a[0].profile.limits != b[0].profile.limits:
        notes.append("The two profiles give different limits; margins are taken from that of {A}.")
    bases = {
        result.physics.assist.map_from
        for side in (a, b)
        for result in side
        if result.physics.assist is not None
    }
    if "profile" not in bases and bases:
        notes.append(
            "No profile gives an assist map: the assist of {B} is held against that of {A}."
        )
    if all(item.verdict is Finding.CANNOT_TELL for item in figures):
        notes.append("Ride both through the same round: start, lock to lock, slow turns, cruise.")
    return notes
