"""What units say of themselves: part number, software, serial number, VIN."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.decode.standards import j1939
from canassist.model import Identity
from canassist.vin import vin_check_digit_ok

if TYPE_CHECKING:
    from canassist.decode.standards.diagnostic_messages import Diagnosis, Reply
    from canassist.decode.standards.transport import GroupPayload

UDS_DATA: Final = 0x62
UDS_FIELDS: Final = {
    0xF187: "part_number",
    0xF188: "software_version",
    0xF189: "software_version",
    0xF18C: "serial_number",
    0xF190: "vin",
    0xF195: "software_version",
}
"""ISO 14229 data identifiers: spare part number, software number and version of the unit, serial
number, VIN, supplier's software version (from memory)."""

OBD_VEHICLE: Final = 0x49
OBD_FIELDS: Final = {0x02: "vin", 0x04: "software_version"}
"""Service 09: VIN and calibration identification (SAE J1979, from memory)."""

CALIBRATION_BYTES: Final = 16

VIN_LENGTH: Final = 17

_PRINTABLE = re.compile(rb"[\x20-\x7e]+")
_PADDING: Final = b"\x00\xff\xaa\xcc \t\r\n"
"""Not the usual 55: that is the letter U, and a VIN or a part number may begin or end with it."""
MAX_TEXT: Final = 64


class _Fact(NamedTuple):
    field: str
    unit: str
    text: str


def find_identity(diagnosis: Diagnosis) -> Identity:
    """Return what the units on the bus said of themselves.

    Where several units answered with different texts, each stands with its unit behind it:
    which of them is the steering module the standards do not tell.
    """
    facts = list(dict.fromkeys([*_from_replies(diagnosis.replies), *_groups(diagnosis.groups)]))
    vin = next((fact.text for fact in facts if fact.field == "vin"), "")
    return Identity(
        part_number=_joined(facts, "part_number"),
        software_version=_joined(facts, "software_version"),
        serial_number=_joined(facts, "serial_number"),
        vin=vin,
        vin_check_digit_ok=vin_check_digit_ok(vin) if vin else None,
    )


def _joined(facts: list[_Fact], field: str) -> str:
    mine = [fact for fact in facts if fact.field == field]
    units = {fact.unit for fact in mine}
    if len(units) <= 1:
        return " / ".join(fact.text for fact in mine)
    return ", ".join(
        f"{' / '.join(fact.text for fact in mine if fact.unit == unit)} ({unit})"
        for unit in sorted(units)
    )


def _from_replies(replies: tuple[Reply, ...]) -> Iterator[_Fact]:
    for reply in replies:
        data = reply.data
        if data[:1] == bytes([UDS_DATA]) and len(data) > 3:  # noqa: PLR2004 - service, number, data
            field = UDS_FIELDS.get(int.from_bytes(data[1:3]))
            yield from _fact(field, reply.unit, data[3:])
        elif data[:1] == bytes([OBD_VEHICLE]) and len(data) > 3 and reply.legislated:  # noqa: PLR2004 - as above
            field = OBD_FIELDS.get(data[1])
            size = CALIBRATION_BYTES if field == "software_version" else len(data)
            for at in range(3, len(data), size):
                yield from _fact(field, reply.unit, data[at : at + size])


def _groups(groups: tuple[GroupPayload, ...]) -> Iterator[_Fact]:
    """Read J1939 identification: fields that end in an asterisk (SAE J1939-71, from memory)."""
    for one in groups:
        unit = f"address {one.address:02X}"
        if one.group == j1939.COMPONENT_IDENTIFICATION:
            fields = one.data.split(b"*")
            yield from _fact("part_number", unit, b" ".join(fields[:2]))
            yield from _fact("serial_number", unit, b"".join(fields[2:3]))
        elif one.group == j1939.SOFTWARE_IDENTIFICATION:
            for text in one.data[1:].split(b"*"):
                yield from _fact("software_version", unit, text)
        elif one.group == j1939.VEHICLE_IDENTIFICATION:
            yield from _fact("vin", unit, one.data.split(b"*")[0])


def _fact(field: str | None, unit: str, data: bytes) -> Iterator[_Fact]:
    text = _text(data)
    if field is None or not text:
        return
    if field == "vin" and len(text) != VIN_LENGTH:
        return
    yield _Fact(field, unit, text)


def _text(data: bytes) -> str:
    """Return printable text as it is, and anything else as hexadecimal digits."""
    bare = data.strip(_PADDING)[:MAX_TEXT]
    if _PRINTABLE.fullmatch(bare):
        return bare.decode("ascii")
    return bare.hex().upper()
