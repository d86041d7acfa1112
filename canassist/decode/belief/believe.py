"""Every channel held against bounds and neighbours, also one that the profile names."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from canassist.decode.belief.bounds import judge_bounds
from canassist.decode.belief.efforts import judge_efforts
from canassist.decode.belief.speeds import judge_speeds
from canassist.decode.belief.steering_signs import SIGNED, judge_signs, judge_torques
from canassist.decode.belief.suspicion import FEW, Suspicion, spoken, suspect
from canassist.decode.belief.temperatures import judge_temperatures
from canassist.decode.belief.voltages import judge_voltages
from canassist.decode.signals.validity import OUT_OF_RANGE
from canassist.units import SAME, Conversion

if TYPE_CHECKING:
    from canassist.model import Channel, Profile

MUCH_LEFT_OUT: Final = 0.2
"""Share of samples outside the database's range from which the range itself is in question."""

_STATES: Final = frozenset({"assist_mode", "module_status"})


def believe(
    channels: Mapping[str, Channel], profile: Profile, rules: Mapping[str, Conversion]
) -> dict[str, Channel]:
    """Hold out what cannot be, and list what nothing confirms.

    Parameters
    ----------
    channels : mapping of name to Channel
        As built, by whatever they were named.
    profile : Profile
        A scale that it gives is an answer: then only the impossible is doubted.
    rules : mapping of name to Conversion
        Database value to channel, to write the profile's lines.

    Returns
    -------
    dict
        The same channels: `held_out`, `doubt`, `profile_lines`, `not_checked` and, where a
        sign is doubted, `sign_known` filled in.
    """
    suspects = {
        name: suspect(
            channel,
            told=_is_told(profile, name),
            labelled=rules.get(name, SAME).scale,
        )
        for name, channel in channels.items()
        if name not in _STATES
    }
    for name, one in suspects.items():
        judge_bounds(name, one)
    judge_speeds(suspects)
    judge_temperatures(suspects, profile)
    judge_voltages(suspects, profile)
    judge_torques(suspects)
    judge_efforts(suspects, profile, channels.get("assist_mode"))
    judge_signs(suspects)
    return {
        name: _judged(channel, suspects.get(name), rules.get(name, SAME))
        for name, channel in channels.items()
    }


def _is_told(profile: Profile, name: str) -> bool:
    spec = profile.channels.get(name)
    return spec is not None and spec.scale is not None


def _judged(channel: Channel, one: Suspicion | None, rule: Conversion) -> Channel:
    if one is None:
        return channel
    outside = channel.left_out.get(OUT_OF_RANGE, 0)
    if outside > MUCH_LEFT_OUT * len(channel) and not channel.doubt and not one.told:
        doubt = (
            f"{outside} of {len(channel)} values of {channel.signal} lie outside the database's "
            f"own range: is it the {spoken(channel.name)}, and signed as the database says?"
        )
        channel = replace(channel, doubt=doubt)
    if channel.doubt or one.held_out or one.turned:
        channel = replace(channel, as_read_lines=profile_lines(channel, rule, 1.0, 0.0))
    if one.held_out:
        likely = one.likely
        guess = f", most likely in {likely.words}" if likely else ""
        why = f"{channel.signal} {one.held_out}{guess}"
        return replace(
            channel,
            held_out=why,
            doubt=f"{why}: is it the {spoken(channel.name)}, and in which unit?",
            profile_lines=profile_lines(channel, rule, likely.scale, likely.offset)
            if likely
            else "",
        )
    if one.turned:
        why = f"{channel.signal} {one.turned} throughout: is right positive?"
        turned = profile_lines(channel, rule, -1.0, 0.0)
        doubt = channel.doubt or why
        return replace(channel, doubt=doubt, sign_known=False, profile_lines=turned)
    return replace(channel, not_checked=_not_checked(channel, one))


def _not_checked(channel: Channel, one: Suspicion) -> tuple[str, ...]:
    if one.told or one.shape.samples < FEW:
        return ()
    left = []
    if channel.name in SIGNED and channel.sign_known and "sign" not in one.checked:
        left.append("sign")
    if channel.unit_known and "unit" not in one.checked and not one.shape.constant:
        left.append("unit")
    return tuple(left)


def profile_lines(channel: Channel, rule: Conversion, scale: float, offset: float) -> str:
    """Return the profile's lines that read a channel as `scale` and `offset` mend it."""
    lines = [
        f"[channels.{channel.name}]",
        f"signal = {json.dumps(channel.signal)}",
        f"scale = {_figure(rule.scale * scale)}",
    ]
    moved = rule.offset * scale + offset
    if moved:
        lines.append(f"offset = {_figure(moved)}")
    return "\n".join(lines) + "\n"


def _figure(number: float) -> str:
    return repr(float(f"{number:.9g}"))
