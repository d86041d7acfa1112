"""``canassist learn``: rides of known-good vehicles in, a profile and its sheet out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canassist.cli.exit_status import say
from canassist.cli.options import Databases, ProfileFile, files_of
from canassist.cli.outputs import check_apart
from canassist.cli.progress_bar import bar

if TYPE_CHECKING:
    from canassist.model import LearnedModel

_SHOWN = 10


def learn(  # noqa: PLR0913, PLR0917 - typer makes an option of each
    rides: Annotated[
        list[str],
        typer.Argument(
            metavar="RIDES...", help="Rides of known-good vehicles: a folder a vehicle, or files."
        ),
    ],
    output: Annotated[
        Path,
        typer.Option("-o", "--output", metavar="VEHICLE.toml", help="Where the profile goes."),
    ],
    dbc: Databases = None,
    profile: ProfileFile = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Learn from rides that do not fit the others, too.")
    ] = False,
    vehicles: Annotated[
        Path | None,
        typer.Option(metavar="FILE.csv", help="Which log is of which vehicle: log,vehicle,..."),
    ] = None,
    pattern: Annotated[
        str, typer.Option(metavar="TEXT", help="Or a path's shape: '{vehicle}/*.log'.")
    ] = "",
    cluster: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Running cluster: address or scheduler file.")
    ] = "",
    workers: Annotated[
        int, typer.Option(metavar="N", min=0, help="Processes here; one a core if not given.")
    ] = 0,
) -> None:
    """Learn what is normal for a model from rides of known-good vehicles."""
    from canassist.atomic_write import check_folder, write_whole
    from canassist.learning import LearnOptions, ledger_of
    from canassist.learning import learn as work
    from canassist.pipeline import input_file
    from canassist.profile import profile_toml
    from canassist.report import render_learned

    sheet = output.with_suffix(".learned.html")
    read = [*map(Path, rides), *files_of(dbc), *filter(None, (profile, vehicles))]
    check_apart((output, sheet), read)
    for path in (output, sheet):
        check_folder(path)
    options = LearnOptions(
        vehicles=vehicles,
        pattern=pattern,
        keep=keep,
        cluster=cluster,
        workers=workers,
        ledger=ledger_of(output),
    )
    with bar() as progress:
        found = work(
            rides,
            dbc=[str(path) for path in dbc or ()],
            profile=str(profile) if profile else "",
            options=options,
            progress=progress,
        )
    write_whole(
        {
            output: profile_toml(found.profile).encode("utf-8"),
            sheet: render_learned(
                found,
                options={"keep": keep, "pattern": pattern},
                further=[input_file(vehicles, "vehicles")] if vehicles else [],
            ).encode("utf-8"),
        }
    )
    _say(found, output, sheet)


def _say(found: LearnedModel, output: Path, sheet: Path) -> None:
    """Print what was learned from what, what was not, and what was left out."""
    missing = [law for law in found.laws if law.figure is None]
    say(
        f"Learned {len(found.laws) - len(missing)} of {len(found.laws)} laws and figures from "
        f"{found.rides} rides of {found.vehicles} vehicles."
    )
    for law in missing:
        say(f"  not ridden: {law.words}; it takes {law.missing}")
    for item in found.left_out[:_SHOWN]:
        say(f"  left out: {item.log} ({item.vehicle}): {item.why}")
    if len(found.left_out) > _SHOWN:
        say(f"  and {len(found.left_out) - _SHOWN} more; the sheet lists them")
    say(f"  profile: {output}")
    say(f"  sheet: {sheet}")
