"""Signals of the right unit whose names say nothing known: what behaviour alone may place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from canassist.decode.candidates import Candidate
from canassist.decode.matching.name_parts import name_means
from canassist.decode.matching.rules.rule import FULL_POINTS, NEVER, UNIT_RIGHT
from canassist.decode.matching.vocabulary import bag
from canassist.model import CHANNEL_UNITS
from canassist.units import conversion

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.decode.database.layouts import Databases

SURE: Final = 0.6
"""A channel whose best candidate scores this by its name needs no nameless ones."""

MOST: Final = 16
"""Nameless signals of one unit that are read."""

BEHAVING: Final = (
    "vehicle_speed",
    "engine_speed",
    "supply_voltage",
    "module_temperature",
    "assist_limit",
    "assist_torque",
    "motor_current",
    "module_current",
    "driver_torque",
    "steering_angle",
)
"""Channels that behaviour can place, as answers rest on them."""

_STRANGERS: Final = NEVER | bag(
    "flag offset limit lane park brake trailer lead cruise tyre lamp pedal fan pump turbo "
    "transmission fuel oil intake exhaust cabin traction pressure lateral solar gps heater"
)
_BITS: Final = 6


def unnamed_candidates(
    databases: Databases,
    ranked: Mapping[str, Sequence[Candidate]],
    *,
    skip: frozenset[str] = frozenset(),
) -> tuple[Candidate, ...]:
    """Return the signals that may serve a channel by their unit alone.

    Parameters
    ----------
    ranked : mapping of channel to candidates
        By name; a unit is looked for where one of its channels has no sure candidate.
    skip : frozenset of str
        Channels that are settled already.

    Returns
    -------
    tuple of Candidate
        Each for one channel of its unit; at most `MOST` of a unit.
    """
    units: dict[str, str] = {}
    for channel in BEHAVING:
        best = ranked.get(channel, ())
        if channel not in skip and not (best and best[0].score >= SURE):
            units.setdefault(CHANNEL_UNITS[channel], channel)
    found: list[Candidate] = []
    for unit, channel in units.items():
        of_unit = sorted(_of_unit(databases, channel, unit), key=lambda one: (-one[0], one[1].name))
        found += [one for _, one in of_unit[:MOST]]
    return tuple(found)


def _of_unit(databases: Databases, channel: str, unit: str) -> Iterator[tuple[int, Candidate]]:
    """Yield a unit's signals, with how many of its channels' units share their message."""
    rules = {
        text: rule
        for text in {s.unit for m in databases.messages for s in m.signals}
        if (rule := conversion(text, unit)) is not None
    }
    for message in databases.messages:
        for signal in message.signals:
            rule = rules.get(signal.unit)
            if rule is None or signal.length < _BITS:
                continue
            if not _STRANGERS.isdisjoint(name_means(signal.name)[0]):
                continue
            yield (
                len(message.signals),
                Candidate(
                    channel=channel,
                    message=message,
                    signal=signal,
                    conversion=rule,
                    unit_known=True,
                    score=UNIT_RIGHT / FULL_POINTS,
                    parts={"unit": UNIT_RIGHT / FULL_POINTS},
                    reasons=(f"unit {signal.unit} (+{UNIT_RIGHT:.1f})",),
                ),
            )
