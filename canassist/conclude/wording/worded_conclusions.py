"""Opinions put into words: headline, basis, reasons, next checks, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.conclude.causes.claims import check
from canassist.conclude.causes.speed_and_bus_evidence import speed_faults
from canassist.conclude.wording.headlines import headline
from canassist.conclude.wording.sentences import (
    channel_name,
    degrees,
    milliohms,
    quantity,
    say,
    say_all,
    torque,
    volts,
)
from canassist.model import (
    Code,
    Conclusion,
    ConclusionRole,
    EventKind,
    NextCheck,
    Strength,
)

if TYPE_CHECKING:
    from canassist.conclude.causes.weights import Opinion
    from canassist.conclude.ranking import RankedOpinion
    from canassist.conclude.ride_findings import RideFindings


def conclusion(ride: RideFindings, ranked: RankedOpinion, rank: int) -> Conclusion:
    """Put one opinion that holds into words.

    Raises
    ------
    ValueError
        If the opinion does not hold.
    ContradictionError
        If a sentence says what its own samples do not show.
    """
    opinion = ranked.opinion
    check(ride.timeline, opinion.reasons)
    strength = opinion.strength
    if strength is None:
        raise ValueError(f"{opinion.code.value} does not hold")
    return Conclusion(
        code=opinion.code,
        rank=rank,
        strength=None if opinion.code is Code.INCONCLUSIVE else strength,
        role=ranked.role,
        explains=ranked.explains,
        explains_complaint=ranked.complaint,
        headline=headline(ride, opinion.code),
        because=opinion.because,
        against=opinion.against,
        next_checks=_next_checks(ride, opinion.code),
        ride_on=_ride_on(ride, opinion.code),
        basis=_basis(ride, opinion, strength),
    )


def ruled_out(opinion: Opinion) -> Conclusion:
    """Put a cause that had some evidence and does not hold into words."""
    return Conclusion(
        code=opinion.code,
        rank=0,
        role=ConclusionRole.ALSO_SEEN,
        strength=None,
        headline=say(f"ruled_out.{opinion.code.value}"),
        because=opinion.because,
        against=opinion.against,
        basis=say("basis.fell" if opinion.against else "basis.little"),
    )


def _basis(ride: RideFindings, opinion: Opinion, strength: Strength) -> str:
    word = say(f"word.{strength.value}")
    best = opinion.because[0].text if opinion.because else say("basis.nothing")
    limits = say(f"basis.{_limits_word(ride, opinion)}")
    cap = opinion.holding_cap
    held = "" if cap is None else say("basis.held", strength=word, why=cap.why)
    return say("basis.line", strength=word, reason=_inside(best), limits=limits) + held


def _limits_word(ride: RideFindings, opinion: Opinion) -> str:
    profile = ride.profile
    if opinion.needs:
        return "given" if profile.gives(*opinion.needs) else "assumed"
    if not any(name.startswith("limits.") for name in profile.given):
        return "assumed"
    return "partly" if profile.assumed else "given"


def _inside(text: str) -> str:
    """Return a sentence as part of another one: small first letter, no full stop."""
    words = text.rstrip(".")
    first_word = words.split(" ", 1)[0]
    return words if first_word.isupper() and len(first_word) > 1 else words[:1].lower() + words[1:]


def _next_checks(ride: RideFindings, code: Code) -> tuple[NextCheck, ...]:
    texts = say_all(f"checks.{code.value}", **_check_figures(ride, code))
    if code is Code.INCONCLUSIVE:
        texts = ride.coverage.ride_next or (say("next_ride.longer"),)
    first, *others = texts
    return (
        NextCheck(text=first, cautions=_cautions(code)),
        *(NextCheck(text=text) for text in others),
    )


def _check_figures(ride: RideFindings, code: Code) -> dict[str, str]:
    limits, lines = ride.limits, ride.physics.limit_lines
    start_c = limits.derate_start_c if lines is None else lines.derate_start_c
    if code is Code.THERMAL_PROTECTION:
        thermal = ride.physics.thermal
        most = None if thermal is None else thermal.sustained_current_a
        duty = say("word.duty")
        if most is not None:
            duty = say("word.duty_current", current=quantity(most, "A"))
        return {"duty": duty, "recover": degrees(start_c)}
    if code is Code.SUPPLY_RESISTANCE:
        return {"limit": milliohms(limits.max_circuit_ohm)}
    if code is Code.SPEED_SIGNAL_FAULT:
        hits = speed_faults(ride)
        return {
            "channel": channel_name((hits[0].event.channel if hits else None) or "vehicle_speed")
        }
    if code is Code.TORQUE_SENSOR_OFFSET:
        return {"limit": torque(limits.torque_offset_nm, 2)}
    return {"supply": volts(limits.undervoltage_v)}


def _cautions(code: Code) -> tuple[str, ...]:
    own = tuple(say(f"caution.{name}") for name in say_all(f"cautions.{code.value}"))
    return (*own, say("caution.default"))


def _ride_on(ride: RideFindings, code: Code) -> str:
    unasked = ride.of(EventKind.ASSIST_DEVIATION, "uncommanded")
    key = "uncommanded" if code is Code.ASSIST_MAP_DEVIATION and unasked else code.value
    return f"{say(f'ride_on.{key}')} {say('ride_on.default')}"
