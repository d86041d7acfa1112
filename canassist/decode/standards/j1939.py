"""J1939 quantities that need no database, found in the traffic by their parameter group."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.database.layouts import MessageLayout, SignalLayout, group_mask
from canassist.decode.signals.extract import decode_signal
from canassist.decode.signals.validity import J1939_GROUPS, check_values
from canassist.model import EXTENDED_KEY, FloatArray, FrameSource
from canassist.units import SAME, Conversion

if TYPE_CHECKING:
    from canassist.model import BusStats, IdMask, MessageFrames

FRAME_BYTES: Final = 8
ENOUGH_GROUPS: Final = 2
"""Different well-known parameter groups on one bus; one alone may be any maker's own id."""

TRANSPORT_CONTROL: Final = 0xEC00  # 60416
TRANSPORT_DATA: Final = 0xEB00  # 60160
REQUEST: Final = 0xEA00  # 59904
ADDRESS_CLAIM: Final = 0xEE00  # 60928
ACTIVE_CODES: Final = 0xFECA  # 65226, DM1
PREVIOUS_CODES: Final = 0xFECB  # 65227, DM2
SOFTWARE_IDENTIFICATION: Final = 0xFEDA  # 65242
COMPONENT_IDENTIFICATION: Final = 0xFEEB  # 65259
VEHICLE_IDENTIFICATION: Final = 0xFEEC  # 65260
"""Parameter groups; numbers from memory except 59904, 60160, 60416 and 65226 (public pages)."""

_IDENTITY_AND_CODES: Final = (
    *(TRANSPORT_CONTROL, TRANSPORT_DATA, ACTIVE_CODES, PREVIOUS_CODES),
    *(SOFTWARE_IDENTIFICATION, COMPONENT_IDENTIFICATION, VEHICLE_IDENTIFICATION),
)
_KNOWN: Final = J1939_GROUPS | {REQUEST, ADDRESS_CLAIM, *_IDENTITY_AND_CODES}
_ACTIVE_CODES_KEY: Final = EXTENDED_KEY | 6 << 26 | ACTIVE_CODES << 8
"""Every one of its upper 21 bits is as the standard has it, with the default priority 6."""

_MOSTLY: Final = 0.95
"""Share of frames that must be 8 bytes long and free of reserved codes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardQuantity:
    """A quantity that a standard defines, as found in the traffic.

    Attributes
    ----------
    channel : str
        The channel it can serve; empty for one that serves none.
    name : str
        Its name in results and profiles, ``"J1939.SPN_190"`` or ``"OBD.PID_0C"``.
    unit : str
        Of `value`; the channel's own where there is one.
    """

    channel: str
    name: str
    unit: str
    source: FrameSource
    time_s: FloatArray
    value: FloatArray
    sender: str = ""
    left_out: Mapping[str, int] = field(default_factory=dict)

    @property
    def is_broadcast(self) -> bool:
        """Whether units send it by themselves; else it comes only when asked for."""
        return self.name.startswith("J1939.")

    @property
    def good(self) -> int:
        """How many samples carry a value."""
        return int(np.count_nonzero(~np.isnan(self.value)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parameter:
    spn: int
    group: int
    start: int
    length: int
    scale: float
    offset: float
    channel: str
    unit: str
    conversion: Conversion = SAME

    @property
    def name(self) -> str:
        return f"J1939.SPN_{self.spn}"

    def message(self) -> MessageLayout:
        signal = SignalLayout(
            message="J1939",
            name=f"SPN_{self.spn}",
            start=self.start,
            length=self.length,
            scale=self.scale,
            offset=self.offset,
            spn=self.spn,
        )
        key = EXTENDED_KEY | self.group << 8
        return MessageLayout(
            name="J1939", key=key, length=FRAME_BYTES, signals=(signal,), j1939=True
        )


_LEFT_RADIAN: Final = Conversion(-180.0 / math.pi)  # positive is left there, right here

PARAMETERS: Final = (
    _Parameter(
        spn=84, group=0xFEF1, start=8, length=16, scale=1 / 256, offset=0,
        channel="vehicle_speed", unit="km/h",
    ),
    _Parameter(
        spn=190, group=0xF004, start=24, length=16, scale=0.125, offset=0,
        channel="engine_speed", unit="rpm",
    ),
    _Parameter(
        spn=168, group=0xFEF7, start=32, length=16, scale=0.05, offset=0,
        channel="system_voltage", unit="V",
    ),
    _Parameter(
        spn=158, group=0xFEF7, start=48, length=16, scale=0.05, offset=0,
        channel="system_voltage", unit="V",
    ),
    _Parameter(
        spn=110, group=0xFEEE, start=0, length=8, scale=1, offset=-40,
        channel="coolant_temperature", unit="degC",
    ),
    _Parameter(
        spn=171, group=0xFEF5, start=24, length=16, scale=0.03125, offset=-273,
        channel="ambient_temperature", unit="degC",
    ),
    _Parameter(
        spn=1807, group=0xF009, start=0, length=16, scale=1 / 1024, offset=-31.374,
        channel="steering_angle", unit="deg", conversion=_LEFT_RADIAN,
    ),
)  # fmt: skip
"""SAE J1939-71: 84, 190, 168, 158 and 1807 as in two public signal tables; 110, 171, the numbers
themselves and the positive side of 1807 from memory."""

J1939_NAMES: Final = frozenset(parameter.name for parameter in PARAMETERS)

_READ_GROUPS: Final = frozenset(
    {parameter.group for parameter in PARAMETERS} | set(_IDENTITY_AND_CODES)
)


def wanted_masks() -> tuple[IdMask, ...]:
    """Return the identifiers to read, from every source address."""
    return tuple(group_mask(EXTENDED_KEY | group << 8) for group in sorted(_READ_GROUPS))


def is_read_group(key: int) -> bool:
    """Tell whether an identifier carries one of the groups that are read here."""
    return bool(key & EXTENDED_KEY) and group_of(key) in _READ_GROUPS


def group_of(key: int) -> int:
    """Return the parameter group number of a 29-bit identifier."""
    mask = group_mask(key)
    return (mask.match & 0x03FF_FFFF) >> 8


def address_name(key: int) -> str:
    """Name a node by its source address."""
    return f"address {key & 0xFF:02X}"


def j1939_buses(stats: BusStats) -> frozenset[int]:
    """Return the buses whose 29-bit traffic is J1939.

    A bus counts where two different well-known parameter groups are on it, or where
    nothing but well-known ones are, or trouble codes come with their own priority: a maker's own
    29-bit identifiers seldom meet any of these.
    """
    groups: dict[int, set[int]] = {}
    for item in stats.ids:
        if item.source.key & EXTENDED_KEY:
            groups.setdefault(item.source.bus, set()).add(group_of(item.source.key))
    telling = {
        item.source.bus for item in stats.ids if item.source.key & ~0xFF == _ACTIVE_CODES_KEY
    }
    return frozenset(
        bus
        for bus, found in groups.items()
        if len(found & _KNOWN) >= ENOUGH_GROUPS or found <= _KNOWN or bus in telling
    )


def find_quantities(
    frames: Mapping[FrameSource, MessageFrames], stats: BusStats
) -> tuple[StandardQuantity, ...]:
    """Find the quantities of `PARAMETERS` in the traffic, from every source address.

    Returns
    -------
    tuple of StandardQuantity
        Only those with at least one value, in the order of `PARAMETERS`, those of one
        parameter with the most values first.
    """
    buses = j1939_buses(stats)
    found: list[StandardQuantity] = []
    for parameter in PARAMETERS:
        message = parameter.message()
        mine = [
            _quantity(parameter, message, frames[source])
            for source in frames
            if source.bus in buses and message.fits(source.key, "")
        ]
        found += sorted(_with_values(mine), key=lambda one: (-one.good, one.source))
    return tuple(found)


def _with_values(found: Iterable[StandardQuantity | None]) -> list[StandardQuantity]:
    return [one for one in found if one is not None and one.good]


def _quantity(
    parameter: _Parameter, message: MessageLayout, frames: MessageFrames
) -> StandardQuantity | None:
    """Decode one parameter of one identifier; None where the frames do not look like it."""
    if np.mean(frames.length == FRAME_BYTES) < _MOSTLY:
        return None
    signal = message.signals[0]
    samples = decode_signal(frames, message, signal)
    checked = check_values(samples, message, signal)
    reserved = checked.left_out.get("reserved code", 0)
    if reserved > (1 - _MOSTLY) * len(samples.time_s):
        return None
    return StandardQuantity(
        channel=parameter.channel,
        name=parameter.name,
        unit=parameter.unit,
        source=frames.source,
        time_s=samples.time_s,
        value=checked.value * parameter.conversion.scale + parameter.conversion.offset,
        sender=address_name(frames.source.key),
        left_out=checked.left_out,
    )
