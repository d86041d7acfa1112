"""One plain sentence for each event."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.conclude.ride_findings import expected, figure, unknown_channels
from canassist.conclude.wording.sentences import (
    channel_name,
    channel_names,
    degrees,
    duration,
    has_text,
    number,
    pair,
    percent,
    quantity,
    say,
    share,
    sided_torque,
    torque,
)
from canassist.model import CHANNEL_UNITS, Event, EventKind

if TYPE_CHECKING:
    from canassist.model import Limits


NONE_PCT: Final = 0.5
"""Less assist than this reads as 0 %, which is none."""


class Setting(NamedTuple):
    """What sentences need besides the event: limits, and whether torque has known sides."""

    limits: Limits
    torque_sign_known: bool


Teller = Callable[[Event, str, Setting], str]


def with_text(event: Event, setting: Setting) -> Event:
    """Return the event with its sentence."""
    if event.end_s is None:
        lasting = say("event.to_end")
    else:
        lasting = say("event.lasted", duration=duration(event.end_s - event.start_s))
    return replace(event, text=_TELLERS[event.kind](event, lasting, setting))


def _derate(event: Event, lasting: str, setting: Setting) -> str:
    del setting
    why = _why(event)
    low = figure(event, "min_assist_pct")
    if event.cause == "engine_stopped" and low is not None and low < NONE_PCT:
        return say("event.derate_waiting", lasting=lasting)
    if low is None:
        status = event.measured.get("status")
        if isinstance(status, str):
            return say("event.derate_status", status=status, lasting=lasting, why=why)
        return say("event.derate_status_bare", lasting=lasting, why=why)
    called = expected(event, "min_assist_pct")
    if called is None:
        return say("event.derate", low=percent(low), lasting=lasting, why=why)
    return say(
        "event.derate_expected",
        low=percent(low),
        lasting=lasting,
        expected=percent(called),
        why=why,
    )


def _why(event: Event) -> str:
    """Return why assist fell; where that is open, which channels would have told it."""
    if event.cause:
        return say(f"word.cause.{event.cause}")
    missing = unknown_channels(event)
    if not missing:
        return say("word.cause.untold")
    return say("word.cause.unknown", channels=channel_names(missing))


def _undervoltage(event: Event, lasting: str, setting: Setting) -> str:
    limit_v = expected(event, "min_supply_v")
    low, limit = pair(
        figure(event, "min_supply_v"),
        setting.limits.undervoltage_v if limit_v is None else limit_v,
        "V",
    )
    key = f"event.undervoltage_{event.cause}"
    return say(
        key if has_text(key) else "event.undervoltage", low=low, limit=limit, lasting=lasting
    )


def _overvoltage(event: Event, lasting: str, setting: Setting) -> str:
    high, limit = pair(figure(event, "max_supply_v"), setting.limits.overvoltage_v, "V")
    return say("event.overvoltage", high=high, limit=limit, lasting=lasting)


def _charging_low(event: Event, lasting: str, setting: Setting) -> str:
    middle = figure(event, "supply_v")
    shown, limit = pair(middle, setting.limits.charging_v, "V")
    rpm = quantity(setting.limits.charging_rpm, "rpm")
    return say("event.charging_low", rpm=rpm, lasting=lasting, middle=shown, limit=limit)


def _deviation(event: Event, lasting: str, setting: Setting) -> str:
    del setting
    key = f"event.deviation_{event.cause}"
    return say(
        key if has_text(key) else "event.deviation_other",
        lasting=lasting,
        figures=_deviation_figures(event),
    )


def _deviation_figures(event: Event) -> str:
    measured, called = figure(event, "assist_nm"), expected(event, "assist_nm")
    if measured is not None and called is not None:
        return say("event.deviation_figures", measured=torque(measured), expected=torque(called))
    ratio = figure(event, "assist_share")
    return "" if ratio is None else say("event.deviation_share", ratio=share(ratio))


def _torque_offset(event: Event, lasting: str, setting: Setting) -> str:
    del lasting
    value = figure(event, "offset_nm")
    offset = sided_torque(value, sign_known=setting.torque_sign_known)
    return say(
        "event.torque_offset", offset=offset, limit=torque(setting.limits.torque_offset_nm, 2)
    )


def _signal_loss(event: Event, lasting: str, setting: Setting) -> str:
    del setting
    name = channel_name(event.channel or "")
    last = _reading(event, "last_value")
    if last is None:
        return say("event.signal_loss_bare", channel=name, lasting=lasting)
    return say("event.signal_loss", channel=name, lasting=lasting, last=last)


def _signal_stuck(event: Event, lasting: str, setting: Setting) -> str:
    del setting
    name = channel_name(event.channel or "")
    value = _reading(event, "stuck_value")
    if value is None:
        return say("event.signal_stuck_bare", channel=name, lasting=lasting)
    return say("event.signal_stuck", channel=name, value=value, lasting=lasting)


def _signal_jump(event: Event, lasting: str, setting: Setting) -> str:
    del lasting, setting
    name = channel_name(event.channel or "")
    before, after = _reading(event, "before_value"), _reading(event, "after_value")
    if before is None or after is None:
        return say("event.signal_jump_bare", channel=name)
    return say("event.signal_jump", channel=name, before=before, after=after)


def _reading(event: Event, name: str) -> str | None:
    value = figure(event, name)
    if value is None:
        return None
    unit = CHANNEL_UNITS.get(event.channel or "", "-")
    return degrees(value) if unit == "degC" else quantity(value, unit)


def _restart(event: Event, lasting: str, setting: Setting) -> str:
    del event, setting
    return say("event.module_restart", lasting=lasting)


def _bus(event: Event, lasting: str, setting: Setting) -> str:
    del setting
    errors = figure(event, "error_frames")
    if not errors:
        return say("event.bus_silent", lasting=lasting)
    return say("event.bus_disturbance", count=number(errors, 0), lasting=lasting)


def _gap(event: Event, lasting: str, setting: Setting) -> str:
    del event, setting
    return say("event.log_gap", lasting=lasting)


def _code(event: Event, lasting: str, setting: Setting) -> str:
    del lasting, setting
    text = event.measured.get("text")
    known = isinstance(text, str) and bool(text)
    meaning = say("event.trouble_code_meaning", text=str(text)) if known else ""
    return say("event.trouble_code", code=event.code, meaning=meaning)


_TELLERS: Final[dict[EventKind, Teller]] = {
    EventKind.DERATE: _derate,
    EventKind.UNDERVOLTAGE: _undervoltage,
    EventKind.OVERVOLTAGE: _overvoltage,
    EventKind.CHARGING_LOW: _charging_low,
    EventKind.ASSIST_DEVIATION: _deviation,
    EventKind.TORQUE_OFFSET: _torque_offset,
    EventKind.SIGNAL_LOSS: _signal_loss,
    EventKind.SIGNAL_STUCK: _signal_stuck,
    EventKind.SIGNAL_JUMP: _signal_jump,
    EventKind.MODULE_RESTART: _restart,
    EventKind.BUS_DISTURBANCE: _bus,
    EventKind.LOG_GAP: _gap,
    EventKind.TROUBLE_CODE: _code,
}
