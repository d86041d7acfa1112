"""Whether two sides are one vehicle: by what the bus says of itself, or by the user's word."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.errors import InputError
from canassist.model import VehicleRelation

if TYPE_CHECKING:
    from canassist.comparison.measured_figure import Side

SHOWN: Final = 4
"""Places of a number that are shown: it is masked on the page."""


def check_one_vehicle(side: Side, label: str) -> None:
    """Refuse a side whose rides come from several vehicles.

    Raises
    ------
    InputError
        Naming the numbers that the bus told.
    """
    for what, numbers in (("vehicles", _vins(side)), ("steering modules", _serials(side))):
        if len(numbers) > 1:
            ends = ", ".join(f"…{number[-SHOWN:]}" for number in sorted(numbers))
            problem = f"The rides of {label} come from {len(numbers)} {what} ({ends})."
            fix = "Give the rides of one vehicle on each side; `canassist screen` compares many."
            raise InputError(problem, fix)


def relation_of(a: Side, b: Side, *, said_same: bool) -> tuple[VehicleRelation, str]:
    """Return whether A and B are one vehicle, and what says so.

    The vehicle number decides where both buses tell it, also against what the user says.
    The module's serial number does not: a module may be moved to another vehicle for a trial.
    """
    vins, serials = (_vins(a), _vins(b)), (_serials(a), _serials(b))
    moved = all(serials) and serials[0] != serials[1]
    if all(vins):
        if vins[0] != vins[1]:
            text = "{A} and {B} are two vehicles: their buses tell two vehicle numbers"
            against = ", though they were said to be one" if said_same else ""
            return VehicleRelation.TWO, f"{text}{against}."
        text = "{A} and {B} are one vehicle: both buses tell the same vehicle number."
        if moved:
            text += " Its steering module is another one: the serial numbers differ."
        return VehicleRelation.ONE, text
    if said_same:
        text = "{A} and {B} are one vehicle, as stated, not proven."
        if moved:
            text += " Its steering module is another one: the serial numbers differ."
        return VehicleRelation.ONE, text
    if moved:
        text = "{A} and {B} have two steering modules: their serial numbers differ"
    elif all(serials):
        text = "{A} and {B} have the same steering module, by its serial number"
    else:
        text = "Nothing on the bus says whether {A} and {B} are one vehicle"
    return VehicleRelation.NOT_TOLD, f"{text}."


def _vins(side: Side) -> set[str]:
    return {vin for one in side if (vin := one.timeline.identity.vin.strip().upper())}


def _serials(side: Side) -> set[str]:
    told = (one.timeline.identity.serial_number.strip() for one in side)
    return {number for number in told if number}
