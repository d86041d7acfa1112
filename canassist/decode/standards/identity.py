"""What units say of themselves: part number, software, serial number, VIN."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
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
MAX_DIGITS: Final = 12
"""Bytes that are shown as digits; longer ones are data."""
MAX_LINE: Final = 100
"""More is a payload that happens to lie where an identification would."""


class _Fact(NamedTuple):
    field: str
    unit: str
    text: str


class _Reading(NamedTuple):
    """What one reply says in one place: a data identifier, or a field of a group."""

    field: str
    unit: str
    place: int
    texts: tuple[str, ...]


def find_identity(diagnosis: Diagnosis) -> Identity:
    """Return what the units on the bus said of themselves.

    Where several units answered with different texts, each stands with its unit behind it:
    which of them is the steering module the standards do not tell.
    """
    readings = [*_from_replies(diagnosis.replies), *_groups(diagnosis.groups)]
    facts = list(dict.fromkeys(_unchanging(readings)))
    vin = next((fact.text for fact in facts if fact.field == "vin"), "")
    return Identity(
        part_number=_joined(facts, "part_number"),
        software_version=_joined(facts, "software_version"),
        serial_number=_joined(facts, "serial_number"),
        vin=vin,
        vin_check_digit_ok=vin_check_digit_ok(vin) if vin else None,
    )


def _unchanging(readings: list[_Reading]) -> Iterator[_Fact]:
    """Yield what a place says each time alike; one that changes identifies nothing."""
    said: dict[tuple[str, int], set[tuple[str, ...]]] = {}
    for one in readings:
        said.setdefault((one.unit, one.place), set()).add(one.texts)
    for one in readings:
        if len(said[one.unit, one.place]) == 1:
            yield from (_Fact(one.field, one.unit, text) for text in one.texts)


def _joined(facts: list[_Fact], field: str) -> str:
    """Return one line, or nothing where it would not be one."""
    mine = [fact for fact in facts if fact.field == field]
    units = {fact.unit for fact in mine}
    if len(units) <= 1:
        line = " / ".join(fact.text for fact in mine)
    else:
        line = ", ".join(
            f"{' / '.join(fact.text for fact in mine if fact.unit == unit)} ({unit})"
            for unit in sorted(units)
        )
    return line if len(line) <= MAX_LINE else ""


def _from_replies(replies: tuple[Reply, ...]) -> Iterator[_Reading]:
    for reply in replies:
        data = reply.data
        if data[:1] == bytes([UDS_DATA]) and len(data) > 3:  # noqa: PLR2004 - service, number, data
            number = int.from_bytes(data[1:3])
            yield from _reading(UDS_FIELDS.get(number), reply.unit, number, [data[3:]])
        elif data[:1] == bytes([OBD_VEHICLE]) and len(data) > 3 and reply.legislated:  # noqa: PLR2004 - as above
            field = OBD_FIELDS.get(data[1])
            size = CALIBRATION_BYTES if field == "software_version" else len(data)
            parts = [data[at : at + size] for at in range(3, len(data), size)]
            yield from _reading(field, reply.unit, data[1], parts)


def _groups(groups: tuple[GroupPayload, ...]) -> Iterator[_Reading]:
    """Read J1939 identification: fields that end in an asterisk (SAE J1939-71, from memory)."""
    for one in groups:
        unit, place = f"address {one.address:02X}", one.group * 2
        if one.group == j1939.COMPONENT_IDENTIFICATION:
            fields = one.data.split(b"*")
            yield from _reading("part_number", unit, place, [b" ".join(fields[:2])])
            yield from _reading("serial_number", unit, place + 1, fields[2:3])
        elif one.group == j1939.SOFTWARE_IDENTIFICATION:
            yield from _reading("software_version", unit, place, one.data[1:].split(b"*"))
        elif one.group == j1939.VEHICLE_IDENTIFICATION:
            yield from _reading("vin", unit, place, one.data.split(b"*")[:1])


def _reading(
    field: str | None, unit: str, place: int, parts: Sequence[bytes]
) -> Iterator[_Reading]:
    texts = tuple(text for part in parts if (text := _text(part)))
    if field is None or (field == "vin" and any(len(text) != VIN_LENGTH for text in texts)):
        return
    if texts:
        yield _Reading(field, unit, place, texts)


def _text(data: bytes) -> str:
    """Return printable text as it is, and anything else as hexadecimal digits."""
    bare = data.strip(_PADDING)[:MAX_TEXT]
    if _PRINTABLE.fullmatch(bare):
        return bare.decode("ascii")
    return bare.hex().upper() if len(bare) <= MAX_DIGITS else ""
