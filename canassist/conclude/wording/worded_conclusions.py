"""Opinions put into words: headline, basis, reasons, next checks, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.conclude.causes.claims import check
from canassist.conclude.wording.headlines import headline
from canassist.conclude.wording.next_checks import next_checks
from canassist.conclude.wording.sentences import say
from canassist.model import Code, Conclusion, ConclusionRole, EventKind, Strength

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
        headline=_headline(ride, opinion.code, strength),
        because=opinion.because,
        against=opinion.against,
        next_checks=next_checks(ride, opinion.code),
        ride_on=_ride_on(ride, opinion.code),
        basis=_basis(ride, opinion, strength),
    )


def _headline(ride: RideFindings, code: Code, strength: Strength) -> str:
    """Return the headline; a weak one is worded as what it is."""
    text = headline(ride, code)
    if strength is not Strength.WEAK or code is Code.INCONCLUSIVE:
        return text
    key = "so_far" if code is Code.NO_FAULT_FOUND else "suspicion"
    return say(f"headline.weak.{key}", what=f"{_inside(text)}.")


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
    limits = _limits_words(ride, opinion)
    cap = opinion.holding_cap
    held = "" if cap is None else say("basis.held", strength=word, why=cap.why)
    return say("basis.line", strength=word, reason=_inside(best), limits=limits) + held


def _limits_words(ride: RideFindings, opinion: Opinion) -> str:
    """Say where the limits are from that an opinion rests on, or all of them."""
    profile = ride.profile
    used = profile.learned_used
    behind = [used[name] for need in opinion.needs if (name := f"limits.{need}") in used]
    if opinion.needs:
        word = "given" if profile.gives(*opinion.needs) else "assumed"
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
