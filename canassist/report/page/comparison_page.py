"""The page of a comparison: the same sheet as a ride's report, with two sides."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from canassist.model import Case, Finding, Role, Strength
from canassist.report.charts.comparison_charts import (
    VERDICT_WORDS,
    ComparisonCharts,
    clearest_first,
    difference_words,
    differences,
    way_words,
)
from canassist.report.data.comparison_json import comparison_json, side_masker
from canassist.report.page.document import Document, build
from canassist.report.page.first_screen import sure_words
from canassist.report.page.measures import UNKNOWN, Measures
from canassist.report.page.page_statement import comparison_statement
from canassist.report.page.ride_page import (
    STANDING_CAUTION,
    PageOptions,
    page_number,
)
from canassist.report.page.shortening import short
from canassist.report.page.times import RideClock, duration
from canassist.report.seal.key_file import sealer_of
from canassist.time_zones import find_zone

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.model import CompareSide, Comparison, Conclusion, Estimate, Figure, Result
from canassist.report.page.masks import Mask

_EVEN: Final = 0.5
_RARE: Final = 1000
"""Chances are not told apart beyond one in so many."""


def render_comparison(
    comparison: Comparison,
    *,
    look: PageOptions | None = None,
    key: Path | None = None,
    signer: bytes = b"",
) -> str:
    """Return a comparison as one HTML page that needs nothing else.

    Parameters
    ----------
    comparison : Comparison
        What differs between two sides.
    look : PageOptions, optional
        Units, time zone and masks; metric, UTC and masked by default.
    key : path, optional
        File with a private key (PEM); the page is signed with it.
    signer : bytes
        Raw public key of a signer who is not here: the page as made for that key, unsigned.

    Raises
    ------
    CanassistError
        If the zone is unknown, the key cannot be used or the plot library is missing.
    """
    sealer = sealer_of(key, signer)
    view = ComparisonView(comparison, look or PageOptions())
    return build(view.document(), sealer=sealer)


class ComparisonView:
    """Everything the page's template shows, worked out from one comparison."""

    def __init__(self, comparison: Comparison, look: PageOptions) -> None:
        self.comparison = comparison
        self.look = look
        self.measures = Measures(look.units)
        self.zone = find_zone(look.zone)
        sides = (comparison.a, comparison.b)
        self.masks: list[Mask] = [str if look.unmask else side_masker(side) for side in sides]

    def document(self) -> Document:
        """Return the page's parts."""
        found = self.comparison
        data = comparison_json(found)
        number = page_number(data)
        charts = ComparisonCharts(found, self.measures, self.zone)
        overlays, rides = charts.overlays(), charts.rides()
        names = " against ".join(short(self._masked(side.name)) for side in (found.a, found.b))
        return Document(
            template="comparison.html",
            context=self._context(number)
            | {
                "overlays": overlays,
                "rides": rides,
                "forest": differences(found.figures, self.measures),
            },
            charts=[*overlays, *rides],
            data=data,
            title=f"Comparison {number}: {names}",
            identity=f"canassist comparison {number}   {names}",
            statement=comparison_statement(found, self.look, self.masks),
        )

    def _context(self, number: str) -> dict[str, Any]:  # Any: templates take any value
        found, say = self.comparison, self._say
        case = found.case or Case()
        return {
            "number": number,
            "version": found.version,
            "case": [
                (name, self._masked(text))
                for name, text in (
                    ("Complaint", case.complaint),
                    ("Correction", case.correction),
                )
                if text
            ],
            "strip": self._strip(case),
            "headline": say(found.headline),
            "explains": say(found.explains),
            "repairs": [
                {
                    "state": str(item.state).replace("_", " "),
                    "text": say(item.text),
                    "before": say(item.before),
                    "after": say(item.after),
                    "ridden": say(item.ridden),
                }
                for item in found.repairs
            ],
            "relation": say(found.relation_text),
            "sides": [self._side("A", found.a), self._side("B", found.b)],
            "lines": [
                self._line(item) for item in clearest_first(found.figures) if item.difference
            ],
            "open": [say(text) for text in found.not_compared],
            "notes": [say(text) for text in found.notes],
            "caution": STANDING_CAUTION,
            **self._fine_print(),
        }

    def _fine_print(self) -> dict[str, Any]:  # Any: templates take any value
        found = self.comparison
        return {
            "method": found.method,
            "tests": found.tests,
            "margins": [
                (item.words, self._span(item.margin, item, sign=False), item.margin_from)
                for item in found.figures
            ],
            "inputs": self._inputs(),
        }

    def _say(self, text: str) -> str:
        """Return a sentence in the page's units, numbers in the sides' names masked."""
        return self._masked(self.measures.sentence(text))

    def _masked(self, text: str) -> str:
        return self.masks[1](self.masks[0](text))

    def _strip(self, case: Case) -> list[tuple[str, str]]:
        facts = (
            ("Vehicle", case.vehicle),
            ("Odometer", case.odometer),
            ("Work order", case.work_order),
            ("Technician", case.technician),
            ("Equipment", case.equipment),
        )
        return [(name, self._masked(text)) for name, text in facts if text]

    def _side(
        self, label: str, side: CompareSide
    ) -> dict[str, Any]:  # Any: templates take any value
        return {
            "label": label,
            "name": self._masked(side.name),
            "vehicle": self._masked(side.results[0].profile.name),
            "rides": [self._ride(result) for result in side.results],
        }

    def _ride(self, result: Result) -> dict[str, Any]:  # Any: templates take any value
        clock = RideClock(result.log.start_utc, self.zone)
        logs = [self._masked(item.name) for item in result.inputs if item.role == "log"]
        return {
            "logs": ", ".join(logs),
            "started": clock.started(),
            "length": duration(result.log.duration_s),
            "conclusions": [self._conclusion(item) for item in result.conclusions],
        }

    def _conclusion(self, item: Conclusion) -> dict[str, Any]:  # Any: templates take any value
        say = self.measures.sentence
        suspicion = item.strength is Strength.WEAK
        return {
            "headline": say(f"A suspicion only: {item.headline}" if suspicion else item.headline),
            "strength": sure_words(item),
            "basis": say(item.basis).removeprefix(f"{item.strength}: "),
            "next_checks": [say(str(check)) for check in item.next_checks],
        }

    def _line(self, item: Figure) -> dict[str, Any]:  # Any: templates take any value
        found = item.difference
        return {
            "words": item.words,
            "verdict": VERDICT_WORDS[item.verdict],
            "way": way_words(item, self.measures),
            "differs": item.verdict is Finding.DIFFERS,
            "follows": item.verdict is Finding.DIFFERS and item.role is Role.CONSEQUENCE,
            "a": self._value(item.a),
            "b": self._value(item.b),
            "difference": self._span(found.value, item) if found else UNKNOWN,
            "interval": self._interval(found, item) if found else UNKNOWN,
            "margin": self._span(item.margin, item, sign=False),
            "chance": _chance(item.adjusted),
            "effect": _higher(item.effect),
            "stretches": f"{item.a.count} and {item.b.count}" if item.a and item.b else UNKNOWN,
            "text": self._say(item.text),
            "conditions": item.conditions,
        }

    def _value(self, found: Estimate | None) -> str:
        if found is None:
            return UNKNOWN
        places = {"K/A²": 4, "s/min": 1}.get(found.unit)
        return self.measures.text(found.value, found.unit, places)

    def _interval(self, found: Estimate, item: Figure) -> str:
        low, high = self._span(found.low, item), self._span(found.high, item)
        return f"{low.rsplit(chr(0x202F), 1)[0]} to {high}"

    def _span(self, value: float, item: Figure, *, sign: bool = True) -> str:
        text = difference_words(value, item, self.measures)
        return f"+{text}" if sign and value > 0 and any(c in "123456789" for c in text) else text

    def _inputs(self) -> list[tuple[str, str, str, int, str]]:
        """Return each file once: side, role, name, size, hash."""
        found: dict[tuple[str, str], list[str]] = {}
        facts: dict[tuple[str, str], tuple[str, int]] = {}
        for label, side in (("A", self.comparison.a), ("B", self.comparison.b)):
            for result in side.results:
                for item in result.inputs:
                    key = (item.role, item.sha256)
                    facts[key] = (self._masked(item.name), item.size_bytes)
                    labels = found.setdefault(key, [])
                    if label not in labels:
                        labels.append(label)
        return [
            (" and ".join(labels), role, *facts[role, sha], sha)
            for (role, sha), labels in found.items()
        ]


def _chance(adjusted: float | None) -> str:
    """Say how often an accident would show a difference this far beyond the margin."""
    if adjusted is None or adjusted > _EVEN:
        return UNKNOWN
    often = round(1.0 / max(adjusted, 1.0 / _RARE / 2.0))
    return f"less than once in {_RARE}" if often > _RARE else f"once in {often}"


def _higher(effect: float | None) -> str:
    """Say how often a stretch of B reads higher than one of A."""
    return UNKNOWN if effect is None else f"{100.0 * effect:.0f} of 100"
