"""Vehicle and serial numbers, masked unless asked for."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from canassist.model import Identity

Mask = Callable[[str], str]
"""Hides numbers in a text."""

_VIN: Final = re.compile(r"(?<![A-Za-z0-9])[A-HJ-NPR-Z0-9]{17}(?![A-Za-z0-9])", re.IGNORECASE)
_SHOWN: Final = 4
_LEAST_KNOWN: Final = 6
"""A shorter serial number, or one without a digit, is not looked for in names: it would hide
words and numbers that are none."""


def mask_number(text: str) -> str:
    """Return a vehicle or serial number with all but its last four places hidden."""
    if len(text) <= _SHOWN:
        return "*" * len(text)
    return "*" * (len(text) - _SHOWN) + text[-_SHOWN:]


def mask_vins(text: str) -> str:
    """Return text in which everything shaped like a VIN is masked.

    Notes
    -----
    A VIN is 17 letters and digits without I, O and Q (49 CFR 565). A time stamp of
    17 digits is masked too: hiding too much is the safe side.
    """
    return _VIN.sub(lambda found: mask_number(found.group()), text)


def masker(identity: Identity) -> Mask:
    """Return what masks a text: all that is shaped like a VIN, and this ride's own numbers.

    Parameters
    ----------
    identity : Identity
        What the bus told of the module: its serial number may stand in a file's name.
    """
    own = [
        re.escape(number)
        for number in (identity.vin, identity.serial_number)
        if len(number) >= _LEAST_KNOWN and any(place.isdigit() for place in number)
    ]
    if not own:
        return mask_vins
    known = re.compile("|".join(own), re.IGNORECASE)
    return lambda text: mask_vins(known.sub(lambda found: mask_number(found.group()), text))


def find_vins(text: str) -> tuple[str, ...]:
    """Return everything in a text that is shaped like a VIN, in upper case."""
    return tuple(found.upper() for found in _VIN.findall(text))
