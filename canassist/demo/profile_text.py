"""The demo vehicle's profile, as a TOML file's text."""

from __future__ import annotations

from collections.abc import Mapping

from canassist.demo.bus.message_layout import MessageLayouts
from canassist.demo.plant.sensors import State
from canassist.demo.plant.vehicle import AssistLaw, VehicleModel
from canassist.model import CHANNEL_UNITS, Profile
from canassist.profile import default_limits, limit_facts, parse_profile

_HEAD = """\
# Profile of an invented vehicle. Every figure in it is made up.
profile = 2
"""


def profile_text(
    layout: MessageLayouts, vehicle: VehicleModel, *, limits: Mapping[str, float] | None = None
) -> str:
    """Return the profile of a vehicle with a message layout.

    Parameters
    ----------
    layout : MessageLayouts
        Where each channel comes from.
    vehicle : VehicleModel
        For its name, protection and assist map.
    limits : mapping of name to float, optional
        In place of the default figures.
    """
    rule = vehicle.protection
    figures = {name: getattr(default_limits(), name) for name in limit_facts()}
    figures |= {
        "derate_start_c": rule.start_c,
        "derate_zero_c": rule.zero_c,
        "derate_start_v": rule.start_v,
        "derate_zero_v": rule.zero_v,
        **(limits or {}),
    }
    parts = [_HEAD, f'[vehicle]\nname = "{vehicle.name}"\nnominal_v = 12.0\n']
    parts += [_channels(layout), _integrity(layout), _limits(figures), _status(layout)]
    parts.append(_assist_map(vehicle.assist))
    return "\n".join(parts)


def demo_profile(layout: MessageLayouts, vehicle: VehicleModel) -> Profile:
    """Return the same as a checked `Profile`."""
    return parse_profile(profile_text(layout, vehicle), f"{layout.name}.toml")


def _channels(layout: MessageLayouts) -> str:
    lines = ["[channels]                    # channel = message and signal of the database"]
    for channel in CHANNEL_UNITS:
        place = layout.carrier(channel)
        if place is not None:
            lines.append(f'{channel} = "{place[0].name}.{place[1].name}"')
    return "\n".join(lines) + "\n"


def _integrity(layout: MessageLayouts) -> str:
    parts = [
        f'[[integrity]]\nmessage = "{message.name}"\ncounter = "{message.counter}"\n'
        f'checksum = "{message.checksum}"\nmethod = "crc8-j1850"\n'
        for message in layout.messages
        if message.checksum
    ]
    return "\n".join(parts)


def _limits(figures: Mapping[str, float]) -> str:
    lines = ["[limits]"]
    for name, fact in limit_facts().items():
        setting = f"{name} = {figures[name]!r}"
        lines.append(f"{setting:<29} # {fact.unit}")
    return "\n".join(lines) + "\n"


def _status(layout: MessageLayouts) -> str:
    def texts(*states: State) -> str:
        return ", ".join(f'"{layout.states[state]}"' for state in states)

    return (
        "[status]                      # texts of the module's own status\n"
        f"reduced = [{texts(State.LIMITED)}]\n"
        f"off = [{texts(State.WAITING, State.SHUTDOWN, State.FAILURE)}]\n"
    )


def _assist_map(law: AssistLaw) -> str:
    lines = [
        "[assist_map]                  # assist torque over driver torque, by road speed",
        f"speed_kph = {list(law.speed_kph)}",
        *(f'"{mode}" = {list(gains)}' for mode, gains in law.gains.items()),
        f"driver_deadband_nm = {law.deadband_nm}",
        f"max_assist_nm = {law.max_assist_nm}",
    ]
    return "\n".join(lines) + "\n"
