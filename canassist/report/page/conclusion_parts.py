"""A conclusion with its reasons and next checks, as the page's template shows it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from canassist.report.charts.event_styles import kind_words
from canassist.report.page.first_screen import sure_words
from canassist.report.page.times import minutes_seconds

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from canassist.model import Conclusion, Event, Evidence

_SURE_WORD: Final = re.compile(r"^(?:strong|moderate|weak): ")
"""Begins a basis; the page says it before."""
_MOST_LINKS: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class ConclusionParts:
    """Shows the conclusions of one result.

    Attributes
    ----------
    anchors : mapping of int to str
        Where on the page each event stands, by its position in `events`.
    pictures : frozenset of str
        Names of the physics plots that the page holds.
    sentence : callable
        Puts a sentence into the units of the page.
    """

    events: Sequence[Event]
    anchors: Mapping[int, str]
    pictures: frozenset[str]
    sentence: Callable[[str], str]

    def parts(self, item: Conclusion) -> dict[str, Any]:  # Any: templates take any value
        """Return what the template shows of a conclusion."""
        say = self.sentence
        return {
            "code": str(item.code),
            "rank": item.rank,
            "strength": sure_words(item),
            "headline": say(item.headline),
            "basis": say(_SURE_WORD.sub("", item.basis)),
            "role": str(item.role),
            "because": [self._evidence(part) for part in item.because],
            "against": [self._evidence(part) for part in item.against],
            "cautioned": any(check.cautions for check in item.next_checks),
            "next_checks": self._checks(item),
            "ride_on": say(item.ride_on),
        }

    def _checks(self, item: Conclusion) -> list[dict[str, Any]]:  # Any: templates take any value
        """Return the checks, each caution in full once and by its number from then on."""
        say = self.sentence
        first_at: dict[str, int] = {}
        found = []
        for number, check in enumerate(item.next_checks, start=1):
            again = sorted({first_at[text] for text in check.cautions if text in first_at})
            new = [say(text) for text in check.cautions if text not in first_at]
            first_at |= {text: number for text in check.cautions if text not in first_at}
            if again:
                new.append(f"as at check {' and '.join(map(str, again))}.")
            found.append({"text": say(check.text), "expect": say(check.expect), "cautions": new})
        return found

    def _evidence(self, part: Evidence) -> dict[str, Any]:  # Any: templates take any value
        known = [place for place in part.events if 0 <= place < len(self.events)]
        shown = known[:_MOST_LINKS]
        return {
            "text": self.sentence(part.text),
            "events": [
                (place + 1, self.anchors[place], self._label(self.events[place])) for place in shown
            ],
            "more": len(known) - len(shown),
            "figure": part.figure if part.figure in self.pictures else "",
        }

    @staticmethod
    def _label(event: Event) -> str:
        return f"{kind_words(event).lower()} at {minutes_seconds(event.start_s)}"
