"""What the first screen says beside the answer: the same words on the page and on the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.model import Code, ConclusionRole, ExplainsComplaint, Strength
from canassist.report.page.channel_words import channel_words
from canassist.report.page.shortening import short, stopped

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import Conclusion, Result
    from canassist.report.page.masks import Mask

MOST_DOUBTS: Final = 4
_LONGEST_DOUBT: Final = 220
_LIGHTER: Final = frozenset({"high", "uncommanded"})

NO_CODES: Final = "none were seen; none were asked for, because nothing is ever sent"
"""A log shows the codes that something else asked for: silence is no proof of none."""

STATED_NOWHERE: Final = "cannot tell"


_WORTH_SAYING: Final = (Strength.STRONG, Strength.MODERATE)
"""What was only seen beside the answer is told on a terminal from here on."""


def sure_words(conclusion: Conclusion) -> str:
    """Return how sure a conclusion is; one that answers nothing is not sure of anything."""
    return STATED_NOWHERE if conclusion.strength is None else str(conclusion.strength)


def explains_words(result: Result) -> str:
    """Return whether the answer explains heavy steering, as a sentence."""
    answer = result.conclusions[0]
    found = answer.explains_complaint
    where = "at the moment named" if result.moments else "on this ride"
    if found is None:
        return f"This log cannot tell what made it heavy {where}."
    if found is ExplainsComplaint.NO:
        return f"No: {_why_not(result, where)}."
    lost = answer.explains
    share = f" {100 * lost:.0f} % of the assist that was lost" if lost is not None else ""
    if found is ExplainsComplaint.YES:
        return f"Yes: it explains{share or ' why it was heavy'}."
    return f"Partly: it explains{share or ' some of it'}; the rest stands under the other findings."


def _why_not(result: Result, where: str) -> str:
    answer = result.conclusions[0]
    deviations = {event.cause for event in result.events if event.kind == "assist_deviation"}
    if answer.code is Code.ASSIST_MAP_DEVIATION and deviations and deviations <= _LIGHTER:
        return "it makes the steering lighter, not heavier"
    if answer.code is Code.NO_FAULT_FOUND:
        return f"no loss of assist was found {where}"
    return f"it took no assist away {where}"


def second_answer(result: Result) -> Conclusion | None:
    """Return the next conclusion that answers the complaint too, None where there is none."""
    others = result.conclusions[1:]
    return next(
        (item for item in others if item.role is ConclusionRole.ANSWER and item.strength), None
    )


def doubts(result: Result, mask: Mask = str) -> tuple[str, ...]:
    """Return what was damaged or doubtful about log, database and channels, the worst first."""
    found = list(_doubts(result, mask))
    shown = [short(stopped(text), _LONGEST_DOUBT) for text in found[:MOST_DOUBTS]]
    if len(found) > MOST_DOUBTS:
        left = len(found) - MOST_DOUBTS
        shown.append(f"{left} more {'stands' if left == 1 else 'stand'} in the fine print.")
    return tuple(shown)


def _doubts(result: Result, mask: Mask) -> Iterator[str]:
    fit = result.timeline.fit
    if fit is not None and fit.reason:
        yield mask(fit.reason)
    places: dict[str, list[str]] = {}
    for problem in result.log.problems:
        places.setdefault(problem.what, []).append(problem.where)
    for what, where in places.items():
        yield f"{mask(where[0])}{_more_places(len(where) - 1)}: {mask(what)}"
    for name, channel in result.timeline.held_out.items():
        why = channel.held_out or channel.doubt or "it cannot be"
        yield f"{channel_words(name)} was left out: {mask(why)}"
    for name, channel in result.channels.items():
        if channel.doubt:
            yield f"{channel_words(name)} is in doubt: {mask(channel.doubt)}"


def _more_places(count: int) -> str:
    if not count:
        return ""
    return f" and {count} more place{'' if count == 1 else 's'}"


def ride_on_words(result: Result) -> tuple[str, ...]:
    """Return whether the vehicle may be ridden, by each answer that holds."""
    answer, second = result.conclusions[0], second_answer(result)
    words = [answer.ride_on]
    if second is not None and second.ride_on != answer.ride_on:
        closing = answer.ride_on.rpartition(". ")[2]
        words.append(f"By the second answer: {second.ride_on.removesuffix(closing).rstrip()}")
    return tuple(text for text in words if text)


def _beside(result: Result) -> Iterator[str]:
    """Yield the second answer, and what else was surely seen."""
    second = second_answer(result)
    if second is not None:
        yield f"  second answer: {second.headline} ({sure_words(second)})"
    for one in result.conclusions[1:]:
        if one.role is ConclusionRole.ALSO_SEEN and one.strength in _WORTH_SAYING:
            yield f"  also seen: {one.headline} ({sure_words(one)})"


def answer_lines(result: Result) -> Iterator[str]:
    """Yield the answer for a terminal: what, how sure, does it explain the complaint, what next."""
    answer = result.conclusions[0]
    for moment in result.moments:
        yield moment.text
    for text in doubts(result):
        yield f"Doubtful: {text}"
    yield answer.headline
    yield f"  how sure: {sure_words(answer)} ({answer.code})"
    yield f"  explains heavy steering? {explains_words(result)}"
    yield from _beside(result)
    for text in ride_on_words(result):
        yield f"  May it be ridden? {text}"
    for number, check in enumerate(answer.next_checks, start=1):
        yield f"  {number}. {check}"
        for caution in check.cautions:
            yield f"     Caution: {caution}"
