"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from canassist.cli.guidance.help_text import CASE, COMPLAINT, INPUTS, OUTPUTS, SHOWN

Units = Literal["metric", "us"]

Databases = Annotated[
    list[Path] | None,
    typer.Option(
        "--dbc",
        metavar="FILE",
        help="Signal database of the vehicle; repeatable.",
        rich_help_panel=INPUTS,
    ),
]
ProfileFile = Annotated[
    Path | None,
    typer.Option(
        "--profile",
        metavar="FILE",
        help="What is known of the vehicle (TOML).",
        rich_help_panel=INPUTS,
    ),
]
OutputPage = Annotated[
    Path | None,
    typer.Option(
        "-o", "--output", metavar="OUT.html", help="Where the page goes.", rich_help_panel=OUTPUTS
    ),
]
JsonFile = Annotated[
    str | None,
    typer.Option(
        "--json",
        metavar="FILE",
        help="Where the result goes as JSON; - is the output.",
        rich_help_panel=OUTPUTS,
    ),
]
ShownUnits = Annotated[
    Units | None, typer.Option("--units", help="Units shown on the page.", rich_help_panel=SHOWN)
]
Zone = Annotated[
    str,
    typer.Option("--zone", metavar="ZONE", help="Time zone of clock times.", rich_help_panel=SHOWN),
]
ExportFolder = Annotated[
    Path | None,
    typer.Option(
        "--export",
        metavar="FOLDER",
        help="Also write channels and events there.",
        rich_help_panel=OUTPUTS,
    ),
]
Pdf = Annotated[
    bool,
    typer.Option(
        "--pdf", help="Also print the page, with an installed browser.", rich_help_panel=OUTPUTS
    ),
]
SignKey = Annotated[
    Path | None,
    typer.Option(
        "--sign", metavar="KEY", help="Sign with this private key.", rich_help_panel=OUTPUTS
    ),
]
CaseFile = Annotated[
    Path | None,
    typer.Option("--case", metavar="FILE.toml", help="Case data in a file.", rich_help_panel=CASE),
]
Complaint = Annotated[
    str, typer.Option(metavar="TEXT", help="What the customer says.", rich_help_panel=CASE)
]
Correction = Annotated[
    str, typer.Option(metavar="TEXT", help="What was done about it.", rich_help_panel=CASE)
]
Vehicle = Annotated[
    str, typer.Option(metavar="TEXT", help="Which vehicle it is.", rich_help_panel=CASE)
]
Odometer = Annotated[
    str, typer.Option(metavar="TEXT", help="Its odometer or hours.", rich_help_panel=CASE)
]
WorkOrder = Annotated[
    str, typer.Option(metavar="TEXT", help="Number of the job.", rich_help_panel=CASE)
]
Technician = Annotated[
    str, typer.Option(metavar="TEXT", help="Who worked on it.", rich_help_panel=CASE)
]
Equipment = Annotated[
    str,
    typer.Option(
        metavar="TEXT", help="Plow, tracks, winch: what loads the steering.", rich_help_panel=CASE
    ),
]
Unmask = Annotated[
    bool,
    typer.Option("--unmask", help="Show VIN and serial numbers in full.", rich_help_panel=SHOWN),
]


NoProject = Annotated[
    bool,
    typer.Option(
        "--no-project",
        help="Leave out canassist.toml and the ride's case file.",
        rich_help_panel=INPUTS,
    ),
]
Moments = Annotated[
    list[str] | None,
    typer.Option(
        "--at",
        metavar="m:ss",
        help="Moment at which it was heavy; repeatable. The answer speaks of it first.",
        rich_help_panel=COMPLAINT,
    ),
]
OneRide = Annotated[
    bool,
    typer.Option(
        "--one-ride",
        help="Files that overlap or lie far apart are one ride all the same.",
        rich_help_panel=INPUTS,
    ),
]


def files_of(databases: list[Path] | None) -> list[Path]:
    """Return the files of ``--dbc`` options, of which one may be tied to a bus."""
    from canassist.decode import split_bus

    return [split_bus(path)[1] for path in databases or []]
