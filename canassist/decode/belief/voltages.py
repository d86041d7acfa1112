"""Supplies held against each other: a level of twice or half the nominal one looks sound alone.

Figures are common practice, no source: what breaks one is asked about.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.decode.belief.suspicion import Likely, Suspects, Suspicion, alike

if TYPE_CHECKING:
    from canassist.model import Profile

_PAIR: Final = ("supply_voltage", "system_voltage")
_USUAL_V: Final = 16.0
"""A supply below is taken for a 12 V one; a higher level needs a witness."""
_NEAR: Final = 0.15
_FACTORS: Final = ((2.0, "half volts"), (4.0, "quarter volts"))
"""Levels that may be mistaken for another nominal supply."""


def judge_voltages(suspects: Suspects, profile: Profile) -> None:
    """Let two supplies confirm each other, or find the one that is off by a whole factor."""
    pair = [one for name in _PAIR if (one := suspects.get(name)) is not None and one.usable]
    if len(pair) == 2 and pair[0].channel.signal != pair[1].channel.signal:  # noqa: PLR2004 - the module's and another
        _judge_pair(*pair)
        return
    for one in pair:
        if one.shape.median > _USUAL_V and not one.told and profile.nominal_v < _USUAL_V:
            one.checked.discard("unit")


def _judge_pair(own: Suspicion, other: Suspicion) -> None:
    ratio = alike(other.channel, own.channel).ratio
    if abs(ratio - 1.0) <= _NEAR:
        return
    for factor, words in _FACTORS:
        for one, off in ((own, ratio / factor), (other, 1.0 / (ratio * factor))):
            if abs(off - 1.0) <= _NEAR and not one.told:
                one.hold(
                    f"reads {factor:g} times what the other supply reads",
                    Likely(words, 1.0 / factor),
                )
                return
