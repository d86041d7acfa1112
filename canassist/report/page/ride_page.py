"""The report on one ride as one HTML page."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from canassist.model import ConclusionRole
from canassist.report.charts.event_bands import is_drawn
from canassist.report.charts.event_styles import EVENT_STYLES
from canassist.report.charts.physics_charts import PhysicsCharts
from canassist.report.charts.ride_chart import RideCharts
from canassist.report.data.result_json import result_json
from canassist.report.page.channel_words import channel_words
from canassist.report.page.claim_sheet import (
    ClaimSheet,
    codes_words,
    command_line,
    limits_words,
    recorded_words,
)
from canassist.report.page.conclusion_parts import ConclusionParts
from canassist.report.page.document import Document, build
from canassist.report.page.event_cards import Card, CardMaker, anchors, fold
from canassist.report.page.first_screen import (
    NO_CODES,
    doubts,
    explains_words,
    ride_on_words,
    second_answer,
)
from canassist.report.page.glossary import GLOSSARY
from canassist.report.page.masks import mask_number, masker
from canassist.report.page.measures import Measures
from canassist.report.page.page_statement import (
    is_vehicle_masked,
    is_vin_doubted,
    ride_statement,
)
from canassist.report.page.rules import Rulebook
from canassist.report.page.shortening import short
from canassist.report.page.tables import (
    bus_table,
    channel_lines,
    coverage_table,
    integrity_table,
    needs_table,
    overview,
)
from canassist.report.page.times import RideClock, duration, minutes_seconds
from canassist.report.seal.key_file import sealer_of
from canassist.report.seal.signing import fingerprint
from canassist.time_zones import find_zone

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from canassist.model import Case, Result, Units
    from canassist.report.page.masks import Mask
    from canassist.report.seal.seal import Sealer

_MOST_CLOSE_UPS: Final = 14
_NUMBER_GROUPS: Final = 3

STANDING_CAUTION: Final = (
    "Hands and wheels: lift and support the vehicle, keep clear of the linkage, and never try a "
    "loss of assist on a public road. The service manual and local rules come first."
)


@dataclass(frozen=True, slots=True)
class PageOptions:
    """How a page is shown: units, time zone, and whether numbers are masked.

    Attributes
    ----------
    units : {"metric", "us"}
        US units are added to sentences and replace metric ones in tables and pictures.
    zone : str
        Name of a time zone for clock times; UTC where empty.
    unmask : bool
        Show VIN and serial numbers in full.
    made_on : str
        The day that the page names as its own, ISO 8601; empty names none.
    options : mapping of str to JSON value
        Further options that decided the result; the page states them.
    vin_doubted : bool
        A vehicle number among the case data, masked by now, did not fit its check digit.
    vehicle_masked : bool
        There was such a number.
    """

    units: Units = "metric"
    zone: str = ""
    unmask: bool = False
    made_on: str = ""
    options: Mapping[str, bool | float | str] = field(default_factory=dict)
    vin_doubted: bool = False
    vehicle_masked: bool = False


def render_page(
    result: Result,
    *,
    look: PageOptions | None = None,
    key: Path | None = None,
    data: bytes | None = None,
    signer: bytes = b"",
) -> str:
    """Return the report on one ride as one HTML page that needs nothing else.

    Parameters
    ----------
    result : Result
        What was found on the ride.
    look : PageOptions, optional
        Units, time zone and masks; metric, UTC and masked by default.
    key : path, optional
        File with a private key (PEM); the page is signed with it.
    data : bytes, optional
        What `result_json` gives for this result, where the caller has it already.
    signer : bytes
        Raw public key of a signer who is not here: the page as made for that key, unsigned.

    Returns
    -------
    str
        The page. The same result and look give the same text, but for a signature's key.

    Raises
    ------
    CanassistError
        If the zone is unknown, the key cannot be used or the plot library is missing.
    """
    sealer = sealer_of(key, signer)
    view = PageView(result, look or PageOptions(), data or result_json(result), sealer=sealer)
    return build(view.document(), sealer=sealer)


def page_number(data: bytes) -> str:
    """Return the short number that names a result on every printed page."""
    text = hashlib.sha256(data).hexdigest()
    return "-".join(text[place : place + 4] for place in range(0, 4 * _NUMBER_GROUPS, 4))


class PageView:
    """Everything the page's template shows, worked out from one result and its JSON."""

    def __init__(
        self, result: Result, look: PageOptions, data: bytes, *, sealer: Sealer | None = None
    ) -> None:
        key = sealer.key if sealer else b""
        self.signer = f"signed with the key {fingerprint(key)}" if key else "not signed"
        self.result = result
        self.data = data
        self.look = look
        self.measures = Measures(look.units)
        self.clock = RideClock(result.log.start_utc, find_zone(look.zone))
        self.mask: Mask = str if look.unmask else masker(result.timeline.identity)
        self.rulebook = Rulebook(result.profile, self.measures, self.mask)
        self.physics = tuple(PhysicsCharts(result, self.measures).all())
        self.pictures = frozenset(chart.name for chart in self.physics)
        self.maker = CardMaker(result, self.measures, self.clock, self.rulebook)
        self.cards = self.maker.cards()
        self.anchors = anchors(self.cards, fold(result.events))
        self.answers = ConclusionParts(
            events=result.events,
            anchors=self.anchors,
            pictures=self.pictures,
            sentence=self.measures.sentence,
        )

    def document(self) -> Document:
        """Return the page's parts."""
        result = self.result
        number = page_number(self.data)
        log_name = self._log_name()
        cards = self.cards
        rides = RideCharts(result, self.measures, self.clock)
        ride, others = rides.ride_and_others()
        close_ups = [
            rides.close_up(card.shown.place, card.shown.text or card.title)
            for card in cards[:_MOST_CLOSE_UPS]
            if is_drawn(result.events[card.shown.place]) and ride.rows
        ]
        return Document(
            template="report.html",
            context=self._context(cards, number) | {"absent": rides.absent()},
            charts=[
                *([ride] if ride.rows else []),
                *([others] if others else []),
                *close_ups,
                *self.physics,
            ],
            data=self.data,
            title=f"Report {number}: {log_name}",
            identity=f"canassist report {number}   {log_name}",
            statement=ride_statement(result, self.look, self.mask),
        )

    def _context(
        self, cards: Sequence[Card], number: str
    ) -> dict[str, Any]:  # Any: templates take any value
        result, measures = self.result, self.measures
        return {
            "number": number,
            "version": result.version,
            "case": self._case(),
            "strip": self._strip(),
            "answer": self.answers.parts(result.conclusions[0]),
            "others": [self.answers.parts(item) for item in result.conclusions[1:]],
            "also_from": next(
                (
                    place
                    for place, item in enumerate(result.conclusions)
                    if item.role is ConclusionRole.ALSO_SEEN
                ),
                -1,
            ),
            "claim": self._claim(number),
            "first_by_default": result.first_by_default.replace("_", " "),
            "explains": measures.sentence(explains_words(result)),
            "second": self._second(),
            "doubts": [measures.sentence(text) for text in doubts(result, self.mask)],
            "ride_on": [measures.sentence(text) for text in ride_on_words(result)],
            "caution": STANDING_CAUTION,
            "moments": self._moments(),
            "notes": [
                (minutes_seconds(one.at_s), self.mask(one.text))
                for one in sorted(result.case.notes, key=lambda one: one.at_s)
            ],
            "cards": cards,
            "overview": overview(result, measures),
            "physics": self.physics,
            "cited": {
                part.figure
                for item in result.conclusions
                for part in (*item.because, *item.against)
            },
            "coverage": coverage_table(result),
            "needs": needs_table(result),
            "ruled_out": [self.answers.parts(item) for item in result.ruled_out],
            "cannot_tell": [measures.sentence(text) for text in result.coverage.cannot_tell],
            "ride_next": [measures.sentence(text) for text in result.coverage.ride_next],
            "looks": EVENT_STYLES,
            "warnings": self._warnings(),
            **self._fine_print(),
        }

    def _fine_print(self) -> dict[str, Any]:  # Any: templates take any value
        result, measures = self.result, self.measures
        return {
            "channels": channel_lines(result, measures),
            "unused": [
                (unit, [self.mask(name) for name in names])
                for unit, names in result.timeline.unused.items()
            ],
            "bus": bus_table(result),
            "integrity": integrity_table(result),
            "codes": result.timeline.trouble_codes,
            "log": self._log(),
            "problems": [
                (self.mask(item.where), self.mask(item.what)) for item in result.log.problems
            ],
            "limits": self.rulebook.all(),
            "learned": [measures.sentence(text) for text in result.physics.learned_notes],
            "profile_name": self.mask(result.profile.name),
            "inputs": [
                (item.role, self.mask(item.name), item.size_bytes, item.sha256)
                for item in result.inputs
            ],
            "no_codes": NO_CODES.capitalize() + ".",
            "made_by": command_line(
                result, units=self.look.units, zone=self.look.zone, mask=self.mask
            ),
            "masked": not self.look.unmask and self._has_numbers(),
            "glossary": [(word, measures.sentence(text)) for word, text in GLOSSARY],
        }

    def _has_numbers(self) -> bool:
        identity = self.result.timeline.identity
        masked = is_vehicle_masked(self.result.case, self.look, self.mask)
        return bool(identity.vin or identity.serial_number or masked)

    def _claim(self, number: str) -> ClaimSheet:
        made = f"{self.look.made_on}, " if self.look.made_on else ""
        return ClaimSheet(
            made=f"{made}report {number}, canassist {self.result.version}",
            recorded=recorded_words(self.result, self.clock),
            codes=codes_words(self.result, self.mask),
            files=tuple(
                (item.role, self.mask(item.name), item.sha256) for item in self.result.inputs
            ),
            limits=limits_words(self.rulebook),
            signer=self.signer,
            numbers=tuple(f"{name} {value}" for name, value in self._numbers() if value),
            masked=not self.look.unmask and self._has_numbers(),
        )

    def _log_name(self) -> str:
        names = [item.name for item in self.result.inputs if item.role == "log"]
        more = f" and {len(names) - 1} more" if len(names) > 1 else ""
        return short(self.mask(names[0])) + more if names else "no log"

    def _case(self) -> Case:
        case, mask = self.result.case, self.mask
        return replace(
            case,
            complaint=mask(case.complaint),
            correction=mask(case.correction),
            vehicle=mask(case.vehicle),
            odometer=mask(case.odometer),
            work_order=mask(case.work_order),
            technician=mask(case.technician),
            equipment=mask(case.equipment),
        )

    def _strip(self) -> list[tuple[str, str]]:
        """Return the facts on top of page one; what is unknown is left out."""
        case, learned = self._case(), self.result.profile.learned_from
        facts = (
            ("Vehicle", case.vehicle or self.mask(self.result.profile.name)),
            ("Odometer", case.odometer),
            ("Work order", case.work_order),
            ("Technician", case.technician),
            ("Equipment", case.equipment),
            ("Recorded", self.clock.started()),
            ("Length", duration(self.result.log.duration_s)),
            ("Limits", learned.source if learned else ""),
            *self._numbers(),
        )
        return [(name, value) for name, value in facts if value]

    def _numbers(self) -> tuple[tuple[str, str], ...]:
        identity = self.result.timeline.identity
        return (
            ("Module part no.", identity.part_number),
            ("Module software", identity.software_version),
            ("Serial no.", self._number(identity.serial_number)),
            ("VIN", self._number(identity.vin)),
        )

    def _number(self, text: str) -> str:
        return text if self.look.unmask else mask_number(text)

    def _second(self) -> dict[str, Any] | None:  # Any: templates take any value
        found = second_answer(self.result)
        return None if found is None else self.answers.parts(found)

    def _moments(self) -> list[dict[str, Any]]:  # Any: templates take any value
        return [
            {
                "when": minutes_seconds(item.at_s),
                "text": self.measures.sentence(item.text),
                "events": [
                    (place + 1, self.anchors[place])
                    for place in sorted(item.events)
                    if place in self.anchors
                ],
                "readings": [
                    (
                        channel_words(name),
                        self.maker.reading(name, value, self.result.channels),
                    )
                    for name, value in item.readings.items()
                ],
            }
            for item in self.result.moments
        ]

    def _log(self) -> list[tuple[str, str]]:
        log = self.result.log
        return [
            ("Format", log.format),
            ("Frames", f"{log.frames:,}".replace(",", "\u202f")),
            ("Error frames", str(log.error_frames)),
            ("Ids", f"{log.ids_known} of {log.ids} known to the database"),
        ]

    def _warnings(self) -> list[str]:
        found = []
        bad = is_vin_doubted(self.result.case, self.look)
        if bad or self.result.timeline.identity.vin_check_digit_ok is False:
            found.append(
                "The VIN's check digit does not fit: check how it was written down. Outside "
                "North America a VIN need not have one."
            )
        return found
