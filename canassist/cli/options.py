"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

Units = Literal["metric", "us"]

Databases = Annotated[
    list[Path] | None,
    typer.Option("--dbc", metavar="FILE", help="Signal database of the vehicle; repeatable."),
]
ProfileFile = Annotated[
    Path | None,
    typer.Option("--profile", metavar="FILE", help="What is known of the vehicle (TOML)."),
]
OutputPage = Annotated[
    Path | None,
    typer.Option("-o", "--output", metavar="OUT.html", help="Where the page goes."),
]
JsonFile = Annotated[
    str | None,
    typer.Option("--json", metavar="FILE", help="Where the result goes as JSON; - is the output."),
]
ShownUnits = Annotated[Units, typer.Option("--units", help="Units shown on the page.")]
Zone = Annotated[str, typer.Option("--zone", metavar="ZONE", help="Time zone of clock times.")]
ExportFolder = Annotated[
    Path | None,
    typer.Option("--export", metavar="FOLDER", help="Also write channels and events there."),
]
Pdf = Annotated[bool, typer.Option("--pdf", help="Also print the page, with an installed browser.")]
SignKey = Annotated[
    Path | None, typer.Option("--sign", metavar="KEY", help="Sign with this private key.")
]
CaseFile = Annotated[
    Path | None, typer.Option("--case", metavar="FILE.toml", help="Case data in a file.")
]
Complaint = Annotated[str, typer.Option(metavar="TEXT", help="What the customer says.")]
Correction = Annotated[str, typer.Option(metavar="TEXT", help="What was done about it.")]
Vehicle = Annotated[str, typer.Option(metavar="TEXT", help="Which vehicle it is.")]
Odometer = Annotated[str, typer.Option(metavar="TEXT", help="Its odometer or hours.")]
WorkOrder = Annotated[str, typer.Option(metavar="TEXT", help="Number of the job.")]
Technician = Annotated[str, typer.Option(metavar="TEXT", help="Who worked on it.")]
Equipment = Annotated[
    str, typer.Option(metavar="TEXT", help="Plow, tracks, winch: what loads the steering.")
]
NoProject = Annotated[
    bool,
    typer.Option("--no-project", help="Leave out the case file that stands beside the log."),
]
Unmask = Annotated[bool, typer.Option("--unmask", help="Show VIN and serial numbers in full.")]


def files_of(databases: list[Path] | None) -> list[Path]:
    """Return the files of ``--dbc`` options, of which one may be tied to a bus."""
    from canassist.decode import split_bus

    return [split_bus(path)[1] for path in databases or []]
