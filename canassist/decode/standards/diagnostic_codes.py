"""Trouble codes that pass on the bus: OBD-II, UDS and J1939."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.decode.standards import j1939
from canassist.model import CodeSighting

if TYPE_CHECKING:
    from canassist.decode.standards.diagnostic_messages import Diagnosis, Reply
    from canassist.decode.standards.transport import GroupPayload

OBD_SERVICES: Final[Mapping[int, str]] = {0x43: "confirmed", 0x47: "pending", 0x4A: "permanent"}
"""Replies to services 03, 07 and 0A (03 as on a public page, the others from memory)."""

UDS_CODES: Final = (0x59, 0x02)
"""Reply to service 19, report codes by status mask (ISO 14229)."""

UDS_STATUS: Final = (
    "test failed",
    "failed this cycle",
    "pending",
    "confirmed",
    "not tested since clearing",
    "failed since clearing",
    "not tested this cycle",
    "warning lamp requested",
)
"""Bits 0 to 7 (ISO 14229, a public copy of its table)."""

UDS_NO_FAULT: Final = 0x50
"""Bits that only say that a test has not run yet; alone they are no finding."""

FAILURE_TYPES: Final[Mapping[int, str]] = {
    0x11: "short to ground",
    0x12: "short to battery",
    0x13: "open circuit",
    0x14: "short to ground or open circuit",
    0x16: "voltage below its limit",
    0x17: "voltage above its limit",
    0x18: "current below its limit",
    0x19: "current above its limit",
    0x1C: "voltage out of range",
    0x1F: "intermittent",
    0x28: "bias or zero level wrong",
    0x29: "signal invalid",
    0x2F: "signal erratic",
    0x31: "no signal",
    0x49: "internal electronic failure",
    0x4B: "over temperature",
    0x54: "missing calibration",
    0x55: "not configured",
    0x62: "signals do not agree",
    0x64: "signal not plausible",
    0x71: "actuator stuck",
    0x81: "invalid serial data received",
    0x86: "signal invalid",
    0x87: "missing message",
    0x88: "bus off",
    0x92: "performance or incorrect operation",
    0x96: "component internal failure",
    0x98: "component or system over temperature",
}
"""Last byte of a UDS code (SAE J2012-DA as in two public lists), in our words."""

STANDARD_TEXTS: Final[Mapping[str, str]] = {
    "U0131": "lost communication with the power steering module",
    "U0420": "invalid data received from the power steering module",
}
"""Codes whose meaning could be sourced: a public field list has both for the steering module."""

PARAMETER_TEXTS: Final[Mapping[int, str]] = {
    84: "wheel-based vehicle speed",
    110: "engine coolant temperature",
    158: "key-switch battery potential",
    168: "battery potential",
    190: "engine speed",
    1807: "steering wheel angle",
}
"""Names of suspect parameters that the public signal tables give."""

MAKERS_OWN: Final = "the maker's own code: see the service manual"

NO_CODE: Final = 0
MAX_SPN: Final = 0x7_FFFF
COUNT_UNKNOWN: Final = 127
_LAMPS: Final = ((6, "malfunction lamp"), (4, "red stop lamp"), (2, "amber warning lamp"),
                 (0, "protect lamp"))  # fmt: skip
_CODE_BYTES: Final = 4


class _Seen(NamedTuple):
    time_s: float
    code: str
    text: str
    protocol: str
    status: str
    sender: str


def find_trouble_codes(diagnosis: Diagnosis) -> tuple[CodeSighting, ...]:
    """Return every trouble code that was read while recording, with first and last sighting.

    Parameters
    ----------
    diagnosis : Diagnosis
        Whole replies and messages.

    Returns
    -------
    tuple of CodeSighting
        By time of first sighting. ``status`` is the latest one; for OBD-II all services in
        which the code was seen. ``text`` is empty where the standard defines the code but
        its meaning could not be sourced; for a maker's own code it says so.
    """
    sightings: dict[tuple[str, str, str], CodeSighting] = {}
    for seen in sorted([*_from_replies(diagnosis.replies), *_from_groups(diagnosis.groups)]):
        place = (seen.protocol, seen.sender, seen.code)
        before = sightings.get(place)
        if before is None:
            sightings[place] = CodeSighting(
                code=seen.code,
                text=seen.text,
                protocol=seen.protocol,
                first_s=seen.time_s,
                last_s=seen.time_s,
                status=seen.status,
                sender=seen.sender,
            )
        else:
            status = _merged(before.status, seen) if seen.protocol == "OBD-II" else seen.status
            sightings[place] = replace(before, last_s=seen.time_s, status=status)
    return tuple(sorted(sightings.values(), key=lambda one: (one.first_s, one.code)))


def _merged(before: str, seen: _Seen) -> str:
    words = before.split(", ")
    return before if seen.status in words else ", ".join([*words, seen.status])


def _from_replies(replies: tuple[Reply, ...]) -> Iterator[_Seen]:
    for reply in replies:
        service = reply.data[0] if reply.data else 0
        if service in OBD_SERVICES and reply.legislated:
            for pair in _pairs(reply.data):
                name = code_name(pair)
                status = OBD_SERVICES[service]
                yield _Seen(reply.time_s, name, code_text(name), "OBD-II", status, reply.unit)
        elif tuple(reply.data[:2]) == UDS_CODES:
            for entry in _chunks(reply.data[3:]):
                if entry[3] & ~UDS_NO_FAULT:
                    name, kind = code_name(entry[:2]), entry[2]
                    yield _Seen(
                        reply.time_s,
                        f"{name}-{kind:02X}",
                        _uds_text(name, kind),
                        "UDS",
                        uds_status(entry[3]),
                        reply.unit,
                    )


def _pairs(data: bytes) -> list[bytes]:
    """Codes of ``43 count code code ...``; a count that disagrees with the length is cut."""
    count = data[1] if len(data) > 1 else 0
    pairs = [data[at : at + 2] for at in range(2, len(data) - 1, 2)]
    return [pair for pair in pairs[:count] if any(pair)]


def _chunks(data: bytes) -> list[bytes]:
    whole = len(data) // _CODE_BYTES * _CODE_BYTES
    return [data[at : at + _CODE_BYTES] for at in range(0, whole, _CODE_BYTES)]


def code_name(code: bytes) -> str:
    """Return the printed name of a two-byte code: 01 35 is P0135.

    SAE J2012: two bits of letter (P, C, B, U), two bits of first digit, three hex digits.
    """
    letter = "PCBU"[code[0] >> 6]
    return f"{letter}{code[0] >> 4 & 3}{code[0] & 0x0F:X}{code[1]:02X}"


def is_standard(name: str) -> bool:
    """Tell whether the standard gives the code its meaning, not the maker.

    P0, C0, B0, U0, P2 and P34 to P39 (SAE J2012 ranges, from memory).
    """
    return name[1] == "0" or name[:2] == "P2" or ("P34" <= name[:3] <= "P39")


def code_text(name: str) -> str:
    """Return what a code means, where that is known for certain."""
    if not is_standard(name):
        return MAKERS_OWN
    return STANDARD_TEXTS.get(name, "")


def _uds_text(name: str, kind: int) -> str:
    parts = [code_text(name), FAILURE_TYPES.get(kind, "")]
    return "; ".join(part for part in parts if part)


def uds_status(status: int) -> str:
    """Spell a UDS status byte out, most telling bits first."""
    order = (0, 3, 2, 1, 5, 7, 4, 6)
    words = [UDS_STATUS[bit] for bit in order if status >> bit & 1]
    return f"{status:02X}: {', '.join(words)}"


def _from_groups(groups: tuple[GroupPayload, ...]) -> Iterator[_Seen]:
    for one in groups:
        if one.group not in (j1939.ACTIVE_CODES, j1939.PREVIOUS_CODES):
            continue
        active = one.group == j1939.ACTIVE_CODES
        state = "active" if active else "previously active"
        lamps = _lamps(one.data) if active else ""
        for entry in _chunks(one.data[2:]):
            if _is_code(entry):
                count = entry[3] & 0x7F
                times = "" if count == COUNT_UNKNOWN else f"occurrences {count}"
                status = ", ".join(part for part in (state, times, lamps) if part)
                code, text = _j1939_code(entry)
                yield _Seen(one.time_s, code, text, "J1939", status, f"address {one.address:02X}")


def _is_code(entry: bytes) -> bool:
    number, mode = entry[0] | entry[1] << 8 | (entry[2] >> 5) << 16, entry[2] & 0x1F
    return (number, mode) != (NO_CODE, NO_CODE) and number != MAX_SPN


def _j1939_code(entry: bytes) -> tuple[str, str]:
    """Return name and text of a four-byte J1939 code.

    SAE J1939-73: number low, middle, top three bits with the five of the failure mode. With
    the conversion method bit set it is one of three older layouts (from memory), and the
    frame does not tell which.
    """
    mode = entry[2] & 0x1F
    number = entry[0] | entry[1] << 8 | (entry[2] >> 5) << 16
    if not entry[3] & 0x80:
        return f"SPN {number} FMI {mode}", PARAMETER_TEXTS.get(number, "")
    low = entry[2] >> 5
    second = (entry[0] | entry[1] << 8) << 3 | low
    first = (entry[0] << 8 | entry[1]) << 3 | low
    choices = " or ".join(str(spn) for spn in dict.fromkeys((number, second, first)))
    return (
        f"{entry[:3].hex(' ').upper()} FMI {mode}",
        f"old numbering whose version the message does not tell: SPN {choices}",
    )


def _lamps(data: bytes) -> str:
    first = data[0] if data else 0  # a damaged frame may carry nothing
    return ", ".join(name for shift, name in _LAMPS if first >> shift & 3 == 1)
