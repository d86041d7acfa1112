"""A comparison as JSON: RFC 8785 canonical bytes, figures rounded to documented places."""

from __future__ import annotations

from functools import reduce
from typing import TYPE_CHECKING, Any, Final

from canassist.report.data.canonical_json import canonical
from canassist.report.data.result_json import text_or_null, utc_text
from canassist.report.data.rounding import places_of_unit, rounded
from canassist.report.page.masks import Mask, masker

if TYPE_CHECKING:
    from canassist.model import (
        CompareSide,
        Comparison,
        Conclusion,
        Estimate,
        Figure,
        Repair,
        Result,
    )

SCHEMA: Final = "canassist-comparison/2"
CHANCE_PLACES: Final = 6
"""Below a millionth a chance says no more."""

FURTHER_PLACES: Final = {"K/A²": 6, "s/min": 2}
"""Decimal places of units that only comparisons have."""

Json = dict[str, Any]  # Any: JSON values have any JSON type


def comparison_json(comparison: Comparison) -> bytes:
    """Return a comparison as canonical JSON.

    Returns
    -------
    bytes
        RFC 8785 canonical UTF-8. The same inputs and tool version give the same
        bytes: no clock, host name or path; VINs are masked. Unknown figures are null.
    """
    return canonical(comparison_object(comparison))


def comparison_object(comparison: Comparison) -> Json:
    """Return a comparison as the object that `comparison_json` writes."""
    mask = both_masker(comparison)
    return {
        "schema": SCHEMA,
        "tool": {"name": "canassist", "version": comparison.version},
        "inputs": _inputs(comparison),
        "sides": {"a": _side(comparison.a), "b": _side(comparison.b)},
        "relation": {
            "is": str(comparison.relation),
            "text": mask(comparison.relation_text),
            "said": comparison.said_same,
        },
        "headline": mask(comparison.headline),
        "explains": mask(comparison.explains) or None,
        "same_recording": comparison.same_recording,
        "figures": [_figure(item, mask) for item in comparison.figures],
        "repairs": [_repair(item, mask) for item in comparison.repairs],
        "not_compared": list(map(mask, comparison.not_compared)),
        "notes": list(map(mask, comparison.notes)),
        "multiplicity": {
            "method": "holm",
            "level": comparison.family_level,
            "tests": comparison.tests,
        },
        "method": comparison.method,
    }


def _inputs(comparison: Comparison) -> list[Json]:
    """Return every file once, with the sides that it belongs to."""
    found: dict[tuple[str, str], Json] = {}
    for label, side in (("a", comparison.a), ("b", comparison.b)):
        for result in side.results:
            mask = masker(result.timeline.identity)
            for item in result.inputs:
                entry = found.setdefault(
                    (item.role, item.sha256),
                    {
                        "role": item.role,
                        "name": mask(item.name),
                        "sha256": item.sha256,
                        "bytes": item.size_bytes,
                        "sides": [],
                    },
                )
                if label not in entry["sides"]:
                    entry["sides"].append(label)
    return list(found.values())


def side_masker(side: CompareSide) -> Mask:
    """Return what masks a side's texts: the numbers of all its rides."""
    masks = [masker(result.timeline.identity) for result in side.results]
    return lambda text: reduce(lambda found, mask: mask(found), masks, text)


def both_masker(comparison: Comparison) -> Mask:
    """Return what masks a sentence that names both sides."""
    masks = [side_masker(side) for side in (comparison.a, comparison.b)]
    return lambda text: masks[1](masks[0](text))


def _side(side: CompareSide) -> Json:
    mask = side_masker(side)
    return {
        "name": mask(side.name),
        "vehicle": mask(side.results[0].profile.name) or None,
        "rides": [_ride(result) for result in side.results],
    }


def _ride(result: Result) -> Json:
    mask = masker(result.timeline.identity)
    return {
        "logs": [
            {"name": mask(item.name), "sha256": item.sha256}
            for item in result.inputs
            if item.role == "log"
        ],
        "start_utc": utc_text(result.log.start_utc),
        "duration_s": rounded(result.log.duration_s, 3),
        "conclusions": [_conclusion(item) for item in result.conclusions],
    }


def _conclusion(item: Conclusion) -> Json:
    return {
        "code": str(item.code),
        "rank": item.rank,
        "role": str(item.role),
        "strength": text_or_null(item.strength),
        "explains": rounded(item.explains, 3),
        "headline": item.headline,
    }


def _figure(item: Figure, mask: Mask) -> Json:
    unit = "share" if item.relative else item.unit
    return {
        "name": str(item.name),
        "unit": item.unit,
        "relative": item.relative,
        "role": str(item.role),
        "verdict": str(item.verdict),
        "a": _estimate(item.a),
        "b": _estimate(item.b),
        "difference": _estimate(item.difference),
        "margin": rounded(item.margin, _places(unit)),
        "margin_from": item.margin_from,
        "effect": rounded(item.effect, 3),
        "chance": rounded(item.chance, CHANCE_PLACES),
        "adjusted": rounded(item.adjusted, CHANCE_PLACES),
        "explained_by": [str(name) for name in item.explained_by],
        "conditions": item.conditions or None,
        "text": mask(item.text),
    }


def _estimate(item: Estimate | None) -> Json | None:
    if item is None:
        return None
    places = _places(item.unit)
    return {
        "value": rounded(item.value, places),
        "low": rounded(item.low, places),
        "high": rounded(item.high, places),
        "unit": item.unit,
        "stretches": item.count,
    }


def _places(unit: str) -> int:
    return FURTHER_PLACES.get(unit, places_of_unit(unit))


def _repair(item: Repair, mask: Mask) -> Json:
    return {
        "code": item.code,
        "state": str(item.state),
        "text": mask(item.text),
        "before": mask(item.before),
        "after": mask(item.after),
        "ridden": mask(item.ridden),
    }
