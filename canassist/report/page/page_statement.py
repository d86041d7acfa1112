"""What a page states of its own making: see `canassist.report.seal.statement`."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING

from canassist.model import Case, RecorderNotes
from canassist.report.page.masks import find_vins
from canassist.report.seal.statement import (
    PageStatement,
    StatedFile,
    StatedNote,
    StatedSide,
    own_versions,
)
from canassist.vin import vin_check_digit_ok

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import CompareSide, Comparison, Result
    from canassist.report.page.masks import Mask
    from canassist.report.page.ride_page import PageOptions
    from canassist.report.seal.statement import Moments


def ride_statement(result: Result, look: PageOptions, mask: Mask) -> PageStatement:
    """Return all that was stated when a ride's page was made, masked as the page is."""
    return PageStatement(
        kind="report",
        made_on=look.made_on,
        units=look.units,
        zone=look.zone,
        unmask=look.unmask,
        vin_doubted=is_vin_doubted(result.case, look),
        vehicle_masked=is_vehicle_masked(result.case, look, mask),
        case=_case(result.case, mask),
        moments_s=result.case.at_s,
        recorder=_recorder(result.case),
        notes=tuple(StatedNote(at_s=one.at_s, text=mask(one.text)) for one in result.case.notes),
        inputs=_files([result], [mask]),
        options=look.options,
        versions=own_versions(),
    )


def comparison_statement(
    comparison: Comparison, look: PageOptions, masks: Sequence[Mask]
) -> PageStatement:
    """Return all that was stated when a comparison's page was made, masked as the page is."""
    case = comparison.case or Case()
    sides = (comparison.a, comparison.b)

    def mask(text: str) -> str:
        return masks[1](masks[0](text))

    return PageStatement(
        kind="comparison",
        made_on=look.made_on,
        units=look.units,
        zone=look.zone,
        unmask=look.unmask,
        case=_case(case, mask),
        inputs=_files_of_sides(sides, mask),
        sides=tuple(_side(side, mask) for side in sides),
        options={**look.options, **({"same_vehicle": True} if comparison.said_same else {})},
        versions=own_versions(),
    )


def is_vin_doubted(case: Case, look: PageOptions) -> bool:
    """Tell whether a vehicle number that the workshop wrote does not fit its check digit."""
    return look.vin_doubted or any(not vin_check_digit_ok(vin) for vin in find_vins(case.vehicle))


def is_vehicle_masked(case: Case, look: PageOptions, mask: Mask) -> bool:
    """Tell whether the workshop wrote a number of the vehicle that the page hides."""
    return look.vehicle_masked or mask(case.vehicle) != case.vehicle


def _case(case: Case, mask: Mask) -> dict[str, str]:
    """Return what the workshop said; moments stand apart."""
    texts = {item.name: getattr(case, item.name) for item in fields(Case)}
    return {name: mask(text) for name, text in texts.items() if isinstance(text, str) and text}


def _recorder(case: Case) -> dict[str, Moments]:
    """Return what the recorder wrote down, without what is empty."""
    if case.recorder is None:
        return {}
    told = {item.name: getattr(case.recorder, item.name) for item in fields(RecorderNotes)}
    return {name: value for name, value in told.items() if value}


def _files(results: Sequence[Result], masks: Sequence[Mask]) -> tuple[StatedFile, ...]:
    return tuple(
        StatedFile(
            role=item.role,
            name=mask(item.name),
            sha256=item.sha256,
            size_bytes=item.size_bytes,
            bus=item.bus,
        )
        for result, mask in zip(results, masks, strict=True)
        for item in result.inputs
    )


def _files_of_sides(sides: Sequence[CompareSide], mask: Mask) -> tuple[StatedFile, ...]:
    """Return each file once, with the sides that it belongs to."""
    found: dict[tuple[str, str], StatedFile] = {}
    for label, side in zip("ab", sides, strict=True):
        for item in _files(side.results, [mask] * len(side.results)):
            key = (item.role, item.sha256)
            known = found.get(key)
            labels = known.sides if known else ""
            found[key] = StatedFile(
                role=item.role,
                name=item.name if known is None else known.name,
                sha256=item.sha256,
                size_bytes=item.size_bytes,
                bus=item.bus,
                sides=labels if label in labels else labels + label,
            )
    return tuple(found.values())


def _side(side: CompareSide, mask: Mask) -> StatedSide:
    rides = tuple(
        tuple(item.sha256 for item in result.inputs if item.role == "log")
        for result in side.results
    )
    return StatedSide(name=mask(side.name), rides=rides)
