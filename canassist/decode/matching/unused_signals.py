"""Signals of the right unit that serve no channel: what a person may know and no rule does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from canassist.decode.matching.name_parts import name_means
from canassist.decode.matching.rules.rule import NEVER, STEERED
from canassist.decode.matching.vocabulary import bag
from canassist.model import CHANNEL_UNITS
from canassist.units import conversion

if TYPE_CHECKING:
    from collections.abc import Collection

    from canassist.decode.database.layouts import Databases, MessageLayout, SignalLayout
    from canassist.model import BusStats

MOST: Final = 6
"""Signals named for a unit."""

_STRANGERS: Final = NEVER | bag("flag offset limit lane park brake trailer lead cruise tyre lamp")
_ASKED: Final = (
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
"""Channels that answers rest on; a signal is worth naming for one of these only."""

_BITS: Final = 6


def unused_signals(
    databases: Databases, stats: BusStats, served: Mapping[str, Collection[str]]
) -> Mapping[str, tuple[str, ...]]:
    """Return for each unit of a missing channel the log's signals in it that serve none.

    Parameters
    ----------
    served : mapping of channel to signals
        Every channel that is served, or asked about, with the signals in question.
    """
    wanted = dict.fromkeys(CHANNEL_UNITS[name] for name in _ASKED if name not in served)
    if not wanted or not databases.messages:
        return {}
    taken = {signal for signals in served.values() for signal in signals}
    present = dict.fromkeys(
        message.name
        for one in stats.ids
        if (message := databases.message_for(one.source.key, stats.buses[one.source.bus]))
    )
    messages = [one for one in databases.messages if one.name in present]
    found = {unit: _in_unit(unit, messages, taken) for unit in wanted}
    return {unit: names for unit, names in found.items() if names}


def _in_unit(
    unit: str, messages: Collection[MessageLayout], taken: Collection[str]
) -> tuple[str, ...]:
    """Return a unit's signals, those of the steering first."""
    ranked = sorted(
        (-_nearness(message, signal), signal.full_name)
        for message in messages
        for signal in message.signals
        if signal.length >= _BITS
        and signal.full_name not in taken
        and conversion(signal.unit, unit) is not None
        and _STRANGERS.isdisjoint(name_means(signal.name)[0])
        and (unit != "%" or _nearness(message, signal))
    )
    return tuple(dict.fromkeys(name for _, name in ranked))[:MOST]


def _nearness(message: MessageLayout, signal: SignalLayout) -> int:
    said = name_means(signal.name)[0]
    around = name_means(message.name)[0] | name_means(message.sender)[0]
    return 2 * (not STEERED.isdisjoint(said)) + (not STEERED.isdisjoint(around))
