"""The claim sheet: one page that a workshop hands in, and how the whole report is made again."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canassist.report.page.first_screen import NO_CODES
from canassist.report.page.shortening import short
from canassist.report.page.times import RideClock, minutes_seconds

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import Result
    from canassist.report.page.masks import Mask
    from canassist.report.page.rules import Rulebook

_MOST_CODES: Final = 6
_LONGEST: Final = 90


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimSheet:
    """What the claim sheet states; blanks are filled in by hand.

    Attributes
    ----------
    made : str
        Date of the report, number, version.
    recorded : str
        When the ride was recorded, and how far that may be trusted.
    codes : str
        Trouble codes, or that none were seen.
    files : tuple of (role, name, SHA-256)
        Log, database, profile and what else the report was made from.
    limits : str
        How many limits are given, and which differ from the default.
    signer : str
        Who signed the page.
    numbers : tuple of str
        Part, software, serial and vehicle numbers as they passed on the bus.
    masked : bool
        Whether some of them are masked.
    """

    made: str
    recorded: str
    codes: str
    files: tuple[tuple[str, str, str], ...]
    limits: str
    signer: str
    numbers: tuple[str, ...]
    masked: bool


def recorded_words(result: Result, clock: RideClock) -> str:
    """Return when the ride was recorded, and how far the recorder's clock may be trusted."""
    if result.log.start_utc is not None:
        return f"{clock.started()}, by the recorder's own clock: nothing in the log proves it"
    if result.log.start_local is not None:
        local = f"{result.log.start_local:%Y-%m-%d %H:%M:%S}"
        return f"{local} by the recorder's wall clock, its time zone not known; nothing proves it"
    return "not known: the log carries no date"


def codes_words(result: Result, mask: Mask) -> str:
    """Return the trouble codes that passed on the bus, or that none did and why."""
    codes = result.timeline.trouble_codes
    if not codes:
        return NO_CODES
    told = [short(f"{code.code} {code.text}".strip(), _LONGEST) for code in codes[:_MOST_CODES]]
    more = len(codes) - len(told)
    return mask("; ".join(told)) + (f"; and {more} more" if more else "")


def limits_words(rulebook: Rulebook) -> str:
    """Return how many limits are given, and which differ from the default."""
    limits = rulebook.all()
    given = sum(limit.given for limit in limits)
    text = f"{given} of {len(limits)} from the profile, the rest assumed"
    if given in {0, len(limits)}:
        text = f"all {len(limits)} {'from the profile' if given else 'assumed'}"
    changed = [f"{one.words} {one.value} (default {one.default})" for one in limits if one.changed]
    return f"{text}; other than the default: {', '.join(changed)}." if changed else f"{text}."


def command_line(result: Result, *, units: str, zone: str, mask: Mask) -> str:
    """Return the command line that makes the report again, by file names."""
    return shlex.join(["canassist", "report", *_words(result, units, zone, mask)])


def _words(result: Result, units: str, zone: str, mask: Mask) -> Iterator[str]:
    for item in result.inputs:
        if item.role == "log":
            yield mask(item.name)
    for item in result.inputs:
        option = {"dbc": "--dbc", "profile": "--profile", "case": "--case"}.get(item.role)
        if option:
            yield from (option, mask(item.name))
    for at_s in result.case.at_s:
        yield from ("--at", minutes_seconds(at_s))
    if units != "metric":
        yield from ("--units", units)
    if zone:
        yield from ("--zone", zone)
