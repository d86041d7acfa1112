"""Fill the channels that names left open with what behaves as they must."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from canassist.decode.candidates import ChannelChoice, Ranked
from canassist.decode.matching.roles.other_parts import place_others, reopen_wheel
from canassist.decode.matching.roles.signal_pool import pool_of
from canassist.decode.matching.roles.steering_parts import place_steering
from canassist.model import CHANNEL_UNITS

if TYPE_CHECKING:
    from canassist.decode.candidates import MeasuredCandidate
    from canassist.decode.matching.roles.signal_pool import PlacedChannel, PooledSignal
    from canassist.model import Channel

MOST_LIKELY: Final = 4
"""Signals that a question offers."""


def place_signals(
    choices: Mapping[str, ChannelChoice],
    measured: Sequence[MeasuredCandidate],
    settled: Mapping[str, Channel],
) -> Mapping[str, ChannelChoice]:
    """Return the choices with open channels filled by behaviour, or asked about.

    Parameters
    ----------
    choices : mapping of channel to ChannelChoice
        As `choose` gives them.
    measured : sequence of MeasuredCandidate
        Signals of certain unit that may serve a channel: nameless ones, and those that were
        looked at for a channel and not taken.
    settled : mapping of channel to Channel
        What the profile, a standard or a name has settled.
    """
    if not measured:
        return choices
    pool = pool_of(measured, settled)
    if not pool.free:
        return choices
    reopened = reopen_wheel(pool, settled)
    place_steering(pool)
    place_others(pool)
    filled = dict(choices)
    for name, part in pool.parts.items():
        old = choices.get(name)
        if name in reopened or _is_open(old, name, settled):
            filled[name] = _choice(name, part, old)
    return {name: filled[name] for name in CHANNEL_UNITS if name in filled}


def _is_open(choice: ChannelChoice | None, name: str, settled: Mapping[str, Channel]) -> bool:
    if name in settled and not settled[name].stands_in:
        return False
    return choice is not None and (choice.chosen is None or choice.stands_in)


def _choice(name: str, part: PlacedChannel, old: ChannelChoice | None) -> ChannelChoice:
    lines = tuple(_line(one, part) for one in part.likely[:MOST_LIKELY])
    before = old.ranking if old is not None else ()
    ranking = (*lines, *(one for one in before if one.signal not in {x.signal for x in lines}))
    if part.is_open or (old is not None and old.doubt and not _settles(old, part)):
        doubt = old.doubt if old is not None and old.doubt else _question(name, part)
        if old is not None and old.stands_in:
            return replace(old, doubt=doubt, ranking=ranking)
        return ChannelChoice(channel=name, doubt=doubt, ranking=ranking)
    measured = part.likely[0].one.measured
    return ChannelChoice(
        channel=name,
        chosen=replace(measured, candidate=replace(measured.candidate, channel=name)),
        chosen_by="behaviour",
        doubt=_question(name, part) if part.question else "",
        scale=part.scale,
        sign_known=part.sign_known,
        ranking=ranking,
    )


def _settles(old: ChannelChoice, part: PlacedChannel) -> bool:
    """Tell whether behaviour answers what the names left open: it finds the same signal."""
    return old.by_name and bool(old.ranking) and old.ranking[0].signal == part.likely[0].one.name


def _question(name: str, part: PlacedChannel) -> str:
    names = " or ".join(one.one.name for one in part.likely[:MOST_LIKELY])
    return f"{names}: which is the {name.replace('_', ' ')}, if any? It {part.question}."


def _line(heard: PooledSignal, part: PlacedChannel) -> Ranked:
    shape = heard.one.shape
    reasons = heard.one.measured.candidate.reasons[:1]
    return Ranked(
        signal=heard.one.name,
        source=heard.one.measured.source,
        score=0.5,
        reasons=(part.why or part.question, *reasons),
        figures={
            "samples": float(shape.samples),
            "low": shape.low,
            "median": shape.median,
            "high": shape.high,
        },
    )
