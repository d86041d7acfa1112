"""The start of a profile from the choices of one log: what is certain set, the rest as comments."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

from canassist.decode.matching.direction import SIGNED
from canassist.model import CHANNEL_UNITS

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from canassist.decode.candidates import ChannelChoice

MOST_OTHERS: Final = 3
"""Candidates offered as comments where a channel stays open."""

_HEAD: Final = """\
# What is known of the vehicle: a start, written from one log and its database.
# Lines that begin with "# " are open: answer the question, correct the line, and take "# " away.
# Then set the limits that the service manual gives; until then they are assumed.
profile = 2

[vehicle]
name = ""
"""

_SIGN_OPEN: Final = (
    "which side is positive is not known: steer to the right; where this reads negative, "
    "give scale = -1.0 (times the unit's own scale)"
)


def profile_text(
    choices: Mapping[str, ChannelChoice], unused: Mapping[str, Collection[str]] | None = None
) -> str:
    """Write the start of a profile.

    Parameters
    ----------
    choices : mapping of str to ChannelChoice
        As `choose` gives them.
    unused : mapping of unit to signals
        Signals that serve no channel, named as comments.

    Returns
    -------
    str
        TOML that `profile.parse_profile` accepts as it stands. Nothing doubtful is set:
        a channel whose choice is close, whose right-positive side is unknown or that
        another unit stands in for appears as a comment only.
    """
    plain, tables = [], []
    for channel in CHANNEL_UNITS:
        choice = choices.get(channel)
        if choice is None or not (choice.chosen or choice.doubt):
            continue
        short, table = _entry(choice)
        plain += short
        tables += table
    missing = [channel for channel in CHANNEL_UNITS if _is_missing(choices.get(channel))]
    lines = [_HEAD, "[channels]", *plain, ""]
    if missing:
        lines += [f"# nothing found for: {', '.join(missing)}", ""]
    for unit, names in (unused or {}).items():
        lines.append(f"# unused signals in {_comment(unit)}: {_comment(', '.join(names))}")
    return "\n".join([*lines, *tables, "# [limits]", "# derate_start_c = 85.0", ""])


def _is_missing(choice: ChannelChoice | None) -> bool:
    return choice is not None and choice.chosen is None and not choice.doubt


def _entry(choice: ChannelChoice) -> tuple[list[str], list[str]]:
    """Return the lines below ``[channels]``, and those of a table of its own."""
    if choice.chosen is None or choice.stands_in:
        return _open(choice), []
    name, channel = choice.chosen.candidate.name, choice.channel
    remark = _remark(choice)
    sign_open = channel in SIGNED and not choice.sign_known
    mark = "# " if choice.doubt or sign_open else ""
    notes = [f"# {channel}: {_comment(choice.doubt)}"] if choice.doubt else []
    if choice.doubt and choice.profile_lines:
        return [*notes, *_as_comments(choice.profile_lines)], []
    notes += [f"# {channel}: {_SIGN_OPEN}"] if sign_open else []
    if (choice.scale, choice.offset) == (1.0, 0.0):
        return [*notes, f"{mark}{channel} = {json.dumps(name)}  # {remark}"], []
    scale, offset = _whole_conversion(choice)
    table = [
        *notes,
        f"{mark}[channels.{channel}]  # {remark}",
        f"{mark}signal = {json.dumps(name)}",
        f"{mark}scale = {scale!r}",
        f"{mark}offset = {offset!r}",
        "",
    ]
    return [], table


def _open(choice: ChannelChoice) -> list[str]:
    """Return a channel's open question and the nearest candidates, all as comments."""
    question = choice.doubt or "no signal of the steering module's own was found"
    lines = [f"# {choice.channel}: {_comment(question)}"]
    if choice.profile_lines:
        return [*lines, *_as_comments(choice.profile_lines)]
    for one in choice.ranking[:MOST_OTHERS]:
        why = _comment("; ".join(one.reasons[:3]))
        lines.append(f"# {choice.channel} = {json.dumps(one.signal)}  # {why}")
    return lines


def _as_comments(lines: str) -> list[str]:
    return [f"# {_comment(line)}" for line in lines.splitlines()]


def _whole_conversion(choice: ChannelChoice) -> tuple[float, float]:
    """Return scale and offset from the database's value to the channel's unit."""
    assert choice.chosen is not None  # noqa: S101 - the caller has checked
    unit = choice.chosen.candidate.conversion
    return unit.scale * choice.scale, unit.offset * choice.scale + choice.offset


def _remark(choice: ChannelChoice) -> str:
    first = choice.ranking[0].reasons[:2] if choice.ranking else ()
    return _comment(f"by {choice.chosen_by}: {'; '.join(first)}" if first else "")


def _comment(text: str) -> str:
    """Return text that cannot leave a TOML comment."""
    return "".join(letter if letter.isprintable() else " " for letter in text)
