"""``canassist screen``: many logs in, tables and a ranked overview out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canassist.cli.exit_status import say, tell
from canassist.cli.options import Databases, ProfileFile
from canassist.cli.progress_bar import bar

if TYPE_CHECKING:
    from canassist.screen import Screened

_SHOWN = 5


def screen(  # noqa: PLR0913, PLR0917 - typer makes an option of each
    places: Annotated[
        list[str],
        typer.Argument(
            metavar="FOLDER...", help="Folders, patterns, @LIST files or storage addresses."
        ),
    ],
    output: Annotated[
        Path, typer.Option("-o", "--output", metavar="OUT_DIR", help="Folder for the result.")
    ],
    dbc: Databases = None,
    profile: ProfileFile = None,
    cluster: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Running cluster: address or scheduler file.")
    ] = "",
    vehicles: Annotated[
        Path | None,
        typer.Option(metavar="FILE.csv", help="Which log is of which vehicle: log,vehicle,..."),
    ] = None,
    pattern: Annotated[
        str,
        typer.Option(metavar="TEXT", help="Or a path's shape: '{batch}/{vehicle}/*.log'."),
    ] = "",
    reports: Annotated[
        int, typer.Option(metavar="N", min=0, help="Also write the full report of the worst N.")
    ] = 0,
    report_of: Annotated[
        list[str] | None,
        typer.Option(metavar="VEHICLE", help="Also write the full reports of this vehicle."),
    ] = None,
    again: Annotated[bool, typer.Option("--again", help="Do over what is done.")] = False,
    workers: Annotated[
        int, typer.Option(metavar="N", min=0, help="Processes here; one a core if not given.")
    ] = 0,
) -> None:
    """Say which vehicles of many have a fault; run it again to go on."""
    from canassist.screen import ScreeningOptions
    from canassist.screen import screen as work

    screening = ScreeningOptions(
        vehicles=vehicles,
        pattern=pattern,
        reports=reports,
        report_of=tuple(report_of or ()),
        again=again,
        cluster=cluster,
        workers=workers,
    )
    with bar() as progress:
        done = work(
            places,
            output,
            dbc=[str(name) for name in dbc or ()],
            profile=str(profile or ""),
            options=screening,
            progress=progress,
        )
    _say(done)


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _say(done: Screened) -> None:
    """Print how many were read, which vehicles want looking at, and where it all is."""
    found = done.screening
    flagged = [vehicle for vehicle in found.vehicles if vehicle.flagged]
    say(
        f"{found.read} of {_many(found.logs, 'log')} read ({done.fresh} now), "
        f"{_many(found.vehicles_in_all, 'vehicle')}, {found.flagged} to look at."
    )
    if done.done_otherwise:
        say(
            f"  {done.done_otherwise} of them had been read by other rules (an earlier canassist, "
            "another database or profile) and were read anew."
        )
    from canassist.report import vehicle_label, why_flagged
    from canassist.screen import SOUND_LIST

    for vehicle in flagged[:_SHOWN]:
        say(f"  {vehicle_label(vehicle, found.root)}: {why_flagged(vehicle)}")
    if found.unread_in_all:
        say(f"  {_many(found.unread_in_all, 'log')} could not be read; the overview says why.")
    if found.partly_read_in_all:
        part = _many(found.partly_read_in_all, "log")
        say(f"  read in part: {part}; the overview says what is missing.")
    sound = sum(vehicle.sound for vehicle in found.vehicles)
    if sound:
        listed = done.page.with_name(SOUND_LIST)
        say(
            f"  nothing stands out from {_many(sound, 'vehicle')}: {listed} (for `canassist learn`)"
        )
    for item in done.unreported:
        tell(f"  no report of {item.log}: {item.reason}")
    say(f"  overview: {done.page}")
