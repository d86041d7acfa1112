"""Another unit's voltage in place of the steering module's own, said openly."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from canassist.decode.candidates import Candidate, ChannelChoice
from canassist.decode.matching.name_parts import strange_words

if TYPE_CHECKING:
    from canassist.model import Channel


def stand_in_supply(
    choices: Mapping[str, ChannelChoice], decided: Mapping[str, Channel]
) -> Mapping[str, ChannelChoice]:
    """Where the module's own supply is missing, another unit's voltage stands in."""
    own, other = choices.get("supply_voltage"), choices.get("system_voltage")
    if own is None or own.chosen is not None or other is None or other.chosen is None:
        return choices
    if "supply_voltage" in decided:
        return choices
    taken = ChannelChoice(
        channel="supply_voltage",
        chosen=other.chosen,
        chosen_by=other.chosen_by,
        runner_up=None,
        doubt=own.doubt or other.doubt or _whose_supply(other.chosen.candidate),
        scale=other.scale,
        offset=other.offset,
        stands_in=True,
        ranking=own.ranking,
    )
    return {**choices, "supply_voltage": taken}


def _whose_supply(candidate: Candidate) -> str:
    """Ask where a strange word may say that it is the module's own after all."""
    message = candidate.message
    strange = strange_words(candidate.signal.name, message.name, message.sender)
    if not strange:
        return ""
    what = f'its name says "{strange[0]}", which is not understood'
    return (
        f"{candidate.name}: is it another unit's supply, or the module's own? {what.capitalize()}."
    )
