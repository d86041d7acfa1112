"""Choose the signal of each channel openly: taken with its reasons, or left out with a question."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from canassist.decode.candidates import MAX_CANDIDATES, ChannelChoice, Ranked
from canassist.decode.matching.behaviour import judge_alone
from canassist.decode.matching.contender import Contender, contender, passed_over
from canassist.decode.matching.direction import judge_direction, judge_sides
from canassist.decode.matching.reference_signals import Track
from canassist.decode.matching.relations import relate
from canassist.decode.matching.rules.rule import FULL_POINTS, Rule
from canassist.decode.matching.rules.rule_table import RULES
from canassist.decode.matching.stand_in_supply import stand_in_supply
from canassist.decode.matching.value_shape import common_grid, likeness, on_grid
from canassist.decode.matching.vocabulary import bag
from canassist.model import CHANNEL_UNITS, EXTENDED_KEY, RunnerUp

if TYPE_CHECKING:
    from canassist.decode.candidates import MeasuredCandidate
    from canassist.model import BusStats, Channel, FrameSource, Profile

TAKE: Final = 5.0
"""Points with which a signal is taken when nothing comes close."""
FAINT: Final = 3.8
"""Points from which one that is not taken is at least asked about."""
CLOSE: Final = 1.5
"""A lead below this is a close call."""

COSTLY: Final = frozenset(
    {
        "supply_voltage",
        "module_temperature",
        "assist_limit",
        "assist_torque",
        "motor_current",
        "module_current",
        "driver_torque",
        "steering_angle",
        "engine_speed",
        "assist_mode",
        "module_status",
    }
)
"""Channels where a wrong signal costs more than a missing one: left out in a close call."""

_SLOW_S: Final = 0.6
"""A steering's torque, angle or a speed that comes more seldom is a copy for display."""

_FAST: Final = bag(
    "vehicle_speed engine_speed assist_torque motor_current driver_torque steering_angle"
)
_TELLING: Final = 1.5
"""Points of a word that says what is measured, in spite of another that is not understood."""

_SAME_SHARE: Final = 0.03
_FINER: Final = 0.5
_AS_OFTEN: Final = 0.8


def choose(
    measured: Mapping[str, Sequence[MeasuredCandidate]],
    stats: BusStats,
    *,
    decided: Mapping[str, Channel],
    reference: Mapping[str, Channel],
    profile: Profile,
) -> Mapping[str, ChannelChoice]:
    """Choose a signal for each open channel by name, unit and behaviour in this log.

    Parameters
    ----------
    measured : mapping of str to sequence of MeasuredCandidate
        The open channels' candidates with their values.
    stats : BusStats
        Traffic of the whole log.
    decided : mapping of str to Channel
        What the profile or a standard has settled already.
    reference : mapping of str to Channel
        Slow standard values of open channels, as evidence.
    profile : Profile
        What is known of the vehicle.

    Returns
    -------
    mapping of str to ChannelChoice
        One for each channel of `measured`; ``chosen`` is None where nothing serves or
        where it stays open which signal does, and then ``doubt`` asks.
    """
    field = {channel: _enter(channel, ones) for channel, ones in measured.items()}
    _rule_out_settled(field, decided)
    anchors = {name: _track(channel) for name, channel in {**reference, **decided}.items()}
    relate(field, anchors)
    _settle_rivals(field)
    choices = {channel: _choose_one(channel, ones) for channel, ones in field.items()}
    return stand_in_supply(choices, decided)


def _enter(channel: str, ones: Sequence[MeasuredCandidate]) -> list[Contender]:
    present = sorted((one for one in ones if len(one.time_s)), key=_by_text)
    entered = [contender(one) for one in present[:MAX_CANDIDATES]]
    for one in entered:
        judge_alone(channel, one)
        judge_direction(channel, one)
        if channel in _FAST:
            _judge_rate(one)
        if channel in COSTLY:
            _ask_strange(RULES[channel], one)
    judge_sides(channel, entered)
    absent = [one for one in ones if not len(one.time_s)]
    entered += [passed_over(one, "others are named better") for one in present[MAX_CANDIDATES:]]
    return entered + [passed_over(one, "is not in this log") for one in absent]


def _by_text(one: MeasuredCandidate) -> tuple[float, str, FrameSource]:
    return -one.candidate.score, one.candidate.name, one.source


def _judge_rate(one: Contender) -> None:
    """Count against what comes seldom: a copy made for a display."""
    if len(one.time_s) > 1:
        period = float(one.time_s[-1] - one.time_s[0]) / (len(one.time_s) - 1)
        if period > _SLOW_S:
            one.add(-0.7, f"comes only every {period:.1f} s")


def _rule_out_settled(
    field: Mapping[str, Sequence[Contender]], decided: Mapping[str, Channel]
) -> None:
    """Rule out what the profile gives to another channel."""
    used = {(channel.signal, channel.source): name for name, channel in decided.items()}
    for ones in field.values():
        for one in ones:
            owner = used.get((one.name, one.measured.source))
            if owner:
                one.rule_out(f"serves as {spoken(owner)} already")


def _ask_strange(rule: Rule, one: Contender) -> None:
    """Ask where a strange word may say that it is something else."""
    measured = not rule.quantities.keys().isdisjoint(one.words | one.letters)
    named = any(rule.subjects[word] >= _TELLING for word in one.words & rule.subjects.keys())
    exempt = measured and named and rule is not RULES["assist_torque"]
    if one.strange and not exempt:
        one.ask(f'its name says "{one.strange[0]}", which is not understood', by_name=True)


def _track(channel: Channel) -> Track:
    time_s, value = channel.valid()
    return Track(channel.signal, time_s, value, channel.sign_known)


def _ranked(ones: Sequence[Contender]) -> list[Contender]:
    return sorted(ones, key=lambda one: (-one.total, one.name, one.measured.source))


def _settle_rivals(field: Mapping[str, Sequence[Contender]]) -> None:
    """Give a signal that two channels may claim to the better one, or to neither in silence."""
    claims: dict[tuple[str, object], list[tuple[str, Contender]]] = {}
    for channel, ones in field.items():
        for one in _front(ones):
            claims.setdefault((one.name, one.measured.source), []).append((channel, one))
    for claimants in claims.values():
        for (first, one), (second, other) in itertools.combinations(claimants, 2):
            _settle(first, one, second, other)


def _front(ones: Sequence[Contender]) -> list[Contender]:
    """Return those that are in front, or close behind it."""
    running = [one for one in ones if not one.out]
    best = max((one.total for one in running), default=0.0)
    return [one for one in running if one.total > best - CLOSE]


def _settle(first: str, one: Contender, second: str, other: Contender) -> None:
    if one.out or other.out or min(one.total, other.total) <= 0.0:
        return
    lead = one.total - other.total
    if abs(lead) < CLOSE:
        one.ask(f"it may as well be the {spoken(second)}", by_name=True)
        other.ask(f"it may as well be the {spoken(first)}", by_name=True)
    elif lead > 0.0:
        other.rule_out(f"is rather the {spoken(first)}")
    else:
        one.rule_out(f"is rather the {spoken(second)}")


def spoken(channel: str) -> str:
    """Return a channel's name in words."""
    return channel.replace("_", " ")


def _choose_one(channel: str, ones: Sequence[Contender]) -> ChannelChoice:
    ranked = _ranked(ones)
    ranking = tuple(_line(one) for one in ranked)
    running = [one for one in ranked if not one.out and one.total > 0.0]
    if not running or running[0].total < FAINT:
        return ChannelChoice(channel=channel, ranking=ranking)
    best = _finest(running)
    rest = [one for one in running if one is not best]
    second = rest[0] if rest else None
    doubt = _doubt(channel, best, second)
    if best.total < TAKE or (doubt and _leave_out(channel, best, second)):
        by_name = best.by_name or not best.question
        doubt = doubt or _faint(channel, best)
        return ChannelChoice(channel=channel, doubt=doubt, by_name=by_name, ranking=ranking)
    return ChannelChoice(
        channel=channel,
        chosen=best.measured,
        chosen_by=_strongest(best),
        runner_up=_runner_up(best, second or _next_out(ranked)),
        doubt=doubt,
        scale=best.scale,
        offset=best.offset,
        sign_known=best.sign_known,
        ranking=ranking,
    )


def _finest(running: Sequence[Contender]) -> Contender:
    """Return the first, or one as good that reads the same in finer steps and no more seldom."""
    first = running[0]
    finer = [
        one
        for one in running[1:]
        if first.total - one.total < CLOSE
        and not one.question
        and _resolution(one) <= _FINER * _resolution(first)
        and len(one.time_s) >= _AS_OFTEN * len(first.time_s)
        and _same(first, one)
    ]
    return min(finer, key=_resolution, default=first)


def _leave_out(channel: str, best: Contender, second: Contender | None) -> bool:
    """Tell whether a doubtful choice is better not made at all."""
    if channel not in COSTLY:
        return False
    return bool(best.question) or second is None or not _identical(best, second)


def _doubt(channel: str, best: Contender, second: Contender | None) -> str:
    """Return the question that a close call leaves, or an empty text."""
    if best.question:
        return f"{best.name} may be the {spoken(channel)}, but {best.question}?"
    if second is None or best.total - second.total >= CLOSE or _same(best, second):
        return ""
    first, other = best.name, second.name
    if first == other:
        first, other = f"{first} ({_carrier(best)})", f"{other} ({_carrier(second)})"
    which = f"{first} or {other}: which is the {spoken(channel)}?"
    if _identical(best, second):
        return f"{which} Both stay at {best.shape.low:g} in this log, which cannot tell them apart."
    return f"{which} They score {best.total:.1f} and {second.total:.1f} and do not read the same."


def _carrier(one: Contender) -> str:
    """Name the identifier and bus that carry a signal."""
    bus, key = one.measured.source
    return f"identifier {key & ~EXTENDED_KEY:X}, bus {bus + 1}"


def _identical(best: Contender, second: Contender) -> bool:
    """Tell whether both stay at one and the same value throughout."""
    return (
        best.shape.constant
        and second.shape.constant
        and best.shape.low == second.shape.low
        and best.unit_known == second.unit_known
    )


def _faint(channel: str, best: Contender) -> str:
    return (
        f"Is {best.name} the {spoken(channel)}? "
        f"Too little speaks for it ({best.total:.1f} of {TAKE:.0f} points needed)."
    )


def _same(best: Contender, second: Contender) -> bool:
    """Tell whether two signals read the same all the time, and move so that it shows."""
    if best.shape.constant or second.shape.constant:
        return False
    if CHANNEL_UNITS[best.measured.candidate.channel] == "-":
        return False
    grid = common_grid(best.time_s, second.time_s)
    first = on_grid(grid, best.time_s, best.value)
    other = on_grid(grid, second.time_s, second.value)
    like = likeness(first, other)
    coarse = max(_resolution(best), _resolution(second))
    allowed = max(_SAME_SHARE * best.shape.spread, coarse)
    slow = CHANNEL_UNITS[best.measured.candidate.channel] == "degC"  # may differ by a step only
    moved = slow or best.shape.spread > 3.0 * coarse
    return bool(moved and like.points and like.typical_gap <= allowed)


def _resolution(one: Contender) -> float:
    candidate = one.measured.candidate
    return abs(float(candidate.signal.scale) * candidate.conversion.scale * one.scale)


def _strongest(best: Contender) -> str:
    parts = {
        group: best.measured.candidate.parts.get(group, 0.0) * FULL_POINTS
        for group in ("name", "unit")
    }
    parts["behaviour"] = best.points
    return max(parts, key=lambda group: parts[group])


def _next_out(ranked: Sequence[Contender]) -> Contender | None:
    """Return the best of those ruled out, by what the database alone says."""
    out = [one for one in ranked if one.out]
    return max(out, key=lambda one: one.measured.candidate.score) if out else None


def _runner_up(best: Contender, second: Contender | None) -> RunnerUp | None:
    if second is None:
        return None
    return RunnerUp(signal=second.name, why=_why_second(best, second))


def _why_second(best: Contender, second: Contender) -> str:
    if second.out:
        return second.out
    if _same(best, second):
        return "reads the same"
    worst = min(second.reasons, default=(0.0, ""))
    if worst[0] < 0.0:
        return worst[1]
    mine, its = best.measured.candidate.parts, second.measured.candidate.parts
    lacks = max(
        ("name", "unit", "range", "sender"), key=lambda part: mine.get(part, 0) - its.get(part, 0)
    )
    if mine.get(lacks, 0.0) > its.get(lacks, 0.0):
        return f"its {lacks} says less for it"
    return "its values in this log say less for it"


def _line(one: Contender) -> Ranked:
    """One line of the ranking: the reasons that weigh most come first."""
    candidate = one.measured.candidate
    spoken_reasons = sorted(one.reasons, key=lambda reason: -abs(reason[0]))
    reasons = tuple(f"{phrase} ({points:+.1f})" for points, phrase in spoken_reasons)
    verdict = (one.out,) if one.out else ()
    asked = (f"open: {one.question}",) if one.question else ()
    return Ranked(
        signal=one.name,
        source=one.measured.source,
        score=round(min(1.0, max(0.0, one.total / FULL_POINTS)), 4),
        parts={**candidate.parts, "behaviour": round(one.points / FULL_POINTS, 4)},
        figures=_figures(one),
        reasons=(*verdict, *asked, *candidate.reasons[:1], *reasons, *candidate.reasons[1:]),
    )


def _figures(one: Contender) -> Mapping[str, float]:
    """Return what the signal reads in this log, in the channel's unit as far as known."""
    shape = one.shape
    if not shape.samples:
        return {"samples": 0.0}
    return {
        "samples": float(shape.samples),
        "low": shape.low,
        "median": shape.median,
        "high": shape.high,
    }
