"""Opinions put into words: headline, basis, reasons, next checks, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.conclude.causes.claims import check
from canassist.conclude.wording.headlines import headline
from canassist.conclude.wording.next_checks import next_checks
from canassist.conclude.wording.sentences import say
from canassist.model import Code, Conclusion, ConclusionRole, EventKind, Strength

if TYPE_CHECKING:
    from canassist.conclude.causes.weights import WeighedCause
    from canassist.conclude.ranking import RankedCause
    from canassist.conclude.ride_findings import RideFindings


def conclusion(ride: RideFindings, ranked: RankedCause, rank: int) -> Conclusion:
    """Put one weighed cause that holds into words.

    Raises
    ------
    ValueError
        If the cause does not hold.
    ContradictionError
        If a sentence says what its own samples do not show.
    """
    weighed = ranked.weighed
    check(ride.timeline, weighed.reasons)
    strength = weighed.strength
    if strength is None:
        raise ValueError(f"{weighed.code.value} does not hold")
    return Conclusion(
        code=weighed.code,
        rank=rank,
        strength=None if weighed.code is Code.INCONCLUSIVE else strength,
        role=ranked.role,
        explains=ranked.explains,
        explains_complaint=ranked.complaint,
        headline=_headline(ride, weighed.code, strength),
        because=weighed.because,
        against=weighed.against,
        next_checks=next_checks(ride, weighed.code),
        ride_on=_ride_on(ride, weighed.code),
        basis=_basis(ride, weighed, strength),
    )


def _headline(ride: RideFindings, code: Code, strength: Strength) -> str:
    """Return the headline; a weak one is worded as what it is."""
    text = headline(ride, code)
    if strength is not Strength.WEAK or code is Code.INCONCLUSIVE:
        return text
    key = "so_far" if code is Code.NO_FAULT_FOUND else "suspicion"
    return say(f"headline.weak.{key}", what=f"{_inside(text)}.")


def ruled_out(weighed: WeighedCause) -> Conclusion:
    """Put a cause that had some evidence and does not hold into words."""
    return Conclusion(
        code=weighed.code,
        rank=0,
        role=ConclusionRole.ALSO_SEEN,
        strength=None,
        headline=say(f"ruled_out.{weighed.code.value}"),
        because=weighed.because,
        against=weighed.against,
        basis=say("basis.fell" if weighed.against else "basis.little"),
    )


def _basis(ride: RideFindings, weighed: WeighedCause, strength: Strength) -> str:
    word = say(f"word.{strength.value}")
    best = weighed.because[0].text if weighed.because else say("basis.nothing")
    limits = _limits_words(ride, weighed)
    cap = weighed.holding_cap
    held = "" if cap is None else say("basis.held", strength=word, why=cap.why)
    return say("basis.line", strength=word, reason=_inside(best), limits=limits) + held


def _limits_words(ride: RideFindings, weighed: WeighedCause) -> str:
    """Say where the limits are from that a cause rests on, or all of them."""
    profile = ride.profile
    used = profile.learned_used
    behind = [used[name] for need in weighed.needs if (name := f"limits.{need}") in used]
    if weighed.needs:
        word = "given" if profile.gives(*weighed.needs) else "assumed"
    elif not any(name.startswith("limits.") for name in profile.given):
        word = "assumed"
    else:
        word = "partly" if profile.assumed else "given"
    if word == "given" and behind:
        fewest = min(behind, key=lambda figure: figure.vehicles)
        return say("basis.learned", source=fewest.source)
    return say(f"basis.{word}")


def _inside(text: str) -> str:
    """Return a sentence as part of another one: small first letter, no full stop."""
    words = text.rstrip(".")
    first_word = words.split(" ", 1)[0]
    return words if first_word.isupper() and len(first_word) > 1 else words[:1].lower() + words[1:]


def _ride_on(ride: RideFindings, code: Code) -> str:
    unasked = ride.of(EventKind.ASSIST_DEVIATION, "uncommanded")
    key = "uncommanded" if code is Code.ASSIST_MAP_DEVIATION and unasked else code.value
    if code is Code.INCONCLUSIVE and ride.derates_by("unexplained"):
        key = "lost_unexplained"
    return f"{say(f'ride_on.{key}')} {say('ride_on.default')}"
