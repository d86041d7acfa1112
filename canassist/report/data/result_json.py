"""The result as JSON: RFC 8785 canonical bytes, figures rounded to documented places."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canassist.model import EXTENDED_KEY, Estimate, EventKind, Points
from canassist.report.data.canonical_json import canonical
from canassist.report.data.rounding import places_of, places_of_unit, rounded
from canassist.report.page.masks import Mask, mask_number, masker
from canassist.timeline import present_share

if TYPE_CHECKING:
    from enum import StrEnum

    from canassist.model import (
        BusStats,
        Channel,
        Conclusion,
        Coverage,
        DatabaseFit,
        Event,
        Evidence,
        Identity,
        InputFile,
        LogSummary,
        Moment,
        NextCheck,
        Physics,
        Profile,
        Result,
    )

SCHEMA: Final = "canassist-result/2"
TEXT_UNIT: Final = "-"

Json = dict[str, Any]  # Any: JSON values have any JSON type
Figures = Mapping[str, "float | str"]


def result_json(result: Result) -> bytes:
    """Return the result as canonical JSON.

    Parameters
    ----------
    result : Result
        What was found on one ride.

    Returns
    -------
    bytes
        RFC 8785 canonical UTF-8. The same inputs and tool version give the same
        bytes: no clock, host name or path; VIN and serial numbers are masked.
        Unknown figures are null. Decimal places are those of `report.rounding`.
    """
    return canonical(result_object(result))


def result_object(result: Result) -> Json:
    """Return the result as the object that `result_json` writes."""
    length_s = result.log.duration_s
    mask = masker(result.timeline.identity)
    return {
        "schema": SCHEMA,
        "tool": {"name": "canassist", "version": result.version},
        "inputs": [_input(item, mask) for item in result.inputs],
        "log": _log(result.log, mask),
        "channels": {
            name: _channel(item, length_s, result.timeline.bus)
            for name, item in result.channels.items()
        },
        "unused": {unit: list(names) for unit, names in result.timeline.unused.items()},
        "events": [_event(event) for event in result.events],
        "conclusions": [_conclusion(item) for item in result.conclusions],
        "ruled_out": [_conclusion(item) for item in result.ruled_out],
        "coverage": _coverage(result.coverage),
        "assumed": list(result.assumed),
        "limits_changed": [
            {
                "limit": item.limit,
                "default": item.default,
                "profile": item.profile if math.isfinite(item.profile) else None,
            }
            for item in result.limits_changed
        ],
        "learned": _learned(result.profile),
        "first_by_default": result.first_by_default or None,
        "moments": [_moment(item) for item in result.moments],
        "physics": _physics(result.physics),
        "bus": _bus(result.timeline.bus),
        "integrity": [
            {
                "message": item.message,
                "frames": item.frames,
                "repeats": item.repeats,
                "skips": item.skips,
                "checksum_failures": item.checksum_failures,
            }
            for item in result.timeline.integrity
        ],
        "identity": _identity(result.timeline.identity),
    }


def _input(item: InputFile, mask: Mask) -> Json:
    return {
        "role": item.role,
        "name": mask(item.name),
        "sha256": item.sha256,
        "bytes": item.size_bytes,
    }


def _log(log: LogSummary, mask: Mask) -> Json:
    return {
        "format": log.format,
        "start_utc": utc_text(log.start_utc),
        "duration_s": rounded(log.duration_s, 3),
        "frames": log.frames,
        "error_frames": log.error_frames,
        "buses": list(log.buses),
        "ids": log.ids,
        "ids_known": log.ids_known,
        "fit": _fit(log.fit),
        "problems": [{"where": mask(item.where), "what": mask(item.what)} for item in log.problems],
    }


def _fit(fit: DatabaseFit | None) -> Json | None:
    if fit is None:
        return None
    names = ("known_ids", "cyclic_known", "in_bounds")
    return {name: rounded(getattr(fit, name), 4) for name in names}


def utc_text(moment: datetime | None) -> str | None:
    """Return a moment as RFC 3339 in UTC with milliseconds, None where unknown."""
    if moment is None:
        return None
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _channel(channel: Channel, length_s: float, bus: BusStats) -> Json:
    time_s, value = channel.valid()
    places = places_of_unit(channel.unit)
    if not len(value) or channel.unit == TEXT_UNIT:
        low = middle = high = None
    else:
        low, middle, high = (
            rounded(float(take(value)), places) for take in (np.min, np.median, np.max)
        )
    share = present_share(time_s, stale_after_s=channel.stale_after_s, log_end_s=length_s)
    second = channel.runner_up
    return {
        "signal": channel.signal,
        "unit": channel.unit,
        "samples": len(channel),
        "period_s": rounded(channel.period_s, 4),
        "present": rounded(share, 4),
        "min": low,
        "median": middle,
        "max": high,
        "chosen_by": channel.chosen_by,
        "runner_up": None if second is None else {"signal": second.signal, "why": second.why},
        "bus": bus.buses[channel.source.bus] if channel.source.bus < len(bus.buses) else None,
        "id": id_text(channel.source.key),
        "sender": channel.sender or None,
        "stands_in": channel.stands_in,
        "sign_known": channel.sign_known,
        "unit_known": channel.unit_known,
        "doubt": channel.doubt or None,
        "held_out": channel.held_out or None,
        "not_checked": list(channel.not_checked),
        "profile_lines": channel.profile_lines or None,
        "left_out": dict(channel.left_out),
    }


def id_text(key: int) -> str:
    """Return an identifier in hexadecimal: 3 digits for 11 bits, 8 for 29."""
    if key & EXTENDED_KEY:
        return f"{key & ~EXTENDED_KEY:08X}"
    return f"{key:03X}"


_OF_ONE_CHANNEL: Final = frozenset(
    {EventKind.SIGNAL_LOSS, EventKind.SIGNAL_STUCK, EventKind.SIGNAL_JUMP}
)
"""Kinds that are about one of several channels; ``measured`` says what the others stand on."""


def _event(event: Event) -> Json:
    found: Json = {
        "kind": str(event.kind),
        "start_s": rounded(event.start_s, 3),
        "end_s": rounded(event.end_s, 3),
        "cause": event.cause,
        "severity": str(event.severity),
        "channel": event.channel if event.kind in _OF_ONE_CHANNEL else None,
        "measured": _figures(event.measured),
        "expected": _figures(event.expected),
        "limits": _figures(event.limits),
        "shares": {name: rounded(share, 4) for name, share in event.shares.items()},
        "channels_then": {name: rounded(value, 3) for name, value in event.channels_then.items()},
        "text": event.text,
    }
    if event.code:
        found["code"] = event.code
    return found


def _figures(figures: Figures) -> Json:
    return {
        name: value if isinstance(value, str) else rounded(float(value), places_of(name))
        for name, value in figures.items()
    }


def _conclusion(conclusion: Conclusion) -> Json:
    return {
        "code": str(conclusion.code),
        "rank": conclusion.rank,
        "role": str(conclusion.role),
        "strength": text_or_null(conclusion.strength),
        "explains": rounded(conclusion.explains, 3),
        "explains_complaint": text_or_null(conclusion.explains_complaint),
        "headline": conclusion.headline,
        "basis": conclusion.basis,
        "because": [item.text for item in conclusion.because],
        "against": [item.text for item in conclusion.against],
        "next_checks": [_check(item) for item in conclusion.next_checks],
        "ride_on": conclusion.ride_on or None,
        "evidence": [_evidence(item) for item in (*conclusion.because, *conclusion.against)],
    }


def text_or_null(word: StrEnum | None) -> str | None:
    """Return a word of the result, None where it says nothing."""
    return None if word is None else str(word)


def _check(item: NextCheck) -> Json:
    return {"text": item.text, "expect": item.expect or None, "cautions": list(item.cautions)}


def _learned(profile: Profile) -> Json | None:
    """Return how many rides and vehicles stand behind the profile, and which figures of theirs."""
    whole = profile.learned_from
    if whole is None:
        return None
    figures = sorted(profile.learned_used)
    return {"rides": whole.rides, "vehicles": whole.vehicles, "figures": figures}


_MOST_CITED: Final = 20
"""So many stretches are listed for one reason; the events that it names have all."""


def _evidence(item: Evidence) -> Json:
    return {
        "text": item.text,
        "weight": rounded(item.weight, 3),
        "events": list(item.events),
        "figure": item.figure or None,
        "samples": [
            {
                "channel": one.channel,
                "start_s": rounded(one.start_s, 3),
                "end_s": rounded(one.end_s, 3),
            }
            for one in item.samples[:_MOST_CITED]
        ],
    }


_RIDDEN: Final = (
    "low_speed_steering_s",
    "cruise_s",
    "engine_running_s",
    "hot_s",
    "standing_s",
    "slow_left_s",
    "slow_right_s",
    "tail_s",
)


def _coverage(coverage: Coverage) -> Json:
    seconds = {name: rounded(getattr(coverage, name), 1) for name in _RIDDEN}
    return seconds | {
        "cranks": coverage.cranks,
        "modes_s": {mode: rounded(time_s, 1) for mode, time_s in coverage.modes_s.items()},
        "needed": {name: rounded(least, 1) for name, least in coverage.needed.items()},
        "cannot_tell": list(coverage.cannot_tell),
        "ride_next": list(coverage.ride_next),
        "needs": [
            {"code": str(need.code), "met": need.met, "text": need.text} for need in coverage.needs
        ],
    }


def _moment(moment: Moment) -> Json:
    return {
        "at_s": rounded(moment.at_s, 3),
        "text": moment.text,
        "events": list(moment.events),
        "readings": {name: rounded(value, 3) for name, value in moment.readings.items()},
    }


def _identity(identity: Identity) -> Json:
    return {
        "part_number": identity.part_number or None,
        "software_version": identity.software_version or None,
        "serial_number": mask_number(identity.serial_number) or None,
        "vin": mask_number(identity.vin) or None,
        "vin_check_digit_ok": identity.vin_check_digit_ok,
    }


def _bus(stats: BusStats) -> Json:
    return {
        "load": [rounded(share, 4) for share in stats.load],
        "bit_rate": list(stats.bit_rate),
        "bit_rate_given": stats.bit_rate_given,
        "recording_gaps": [[rounded(a, 3), rounded(b, 3)] for a, b in stats.recording_gaps],
        "bus_gaps": [
            {"bus": stats.buses[bus], "start_s": rounded(a, 3), "end_s": rounded(b, 3)}
            for bus, a, b in stats.bus_gaps
        ],
        "recorder_losses_s": [rounded(time_s, 3) for time_s in stats.recorder_losses_s],
    }


def _physics(physics: Physics) -> Json:
    """Return every estimate; points and curves are the page's to draw and left out."""
    found = _plain("physics", physics)
    return found if isinstance(found, dict) else {}


def _plain(name: str, value: object) -> object:
    match value:
        case Estimate():
            return _estimate(value)
        case bool() | str() | int() | None:
            return value
        case float():
            return rounded(value, places_of(name)) if math.isfinite(value) else None
        case Mapping():
            return {str(key): _plain(name, item) for key, item in value.items()}
        case Sequence():
            return [_plain(name, item) for item in value]
    return _parts(value)


def _parts(value: object) -> Json:
    if not is_dataclass(value):
        message = f"no JSON form for {type(value).__name__}"
        raise TypeError(message)
    parts = {item.name: getattr(value, item.name) for item in fields(value)}
    drawn = (np.ndarray, Points)
    return {name: _plain(name, part) for name, part in parts.items() if not isinstance(part, drawn)}


def _estimate(estimate: Estimate) -> Json:
    places = places_of_unit(estimate.unit)
    return {
        "value": rounded(estimate.value, places),
        "low": rounded(estimate.low, places),
        "high": rounded(estimate.high, places),
        "unit": estimate.unit,
        "count": estimate.count,
        "sensor_share": rounded(estimate.sensor_share, 2),
    }
