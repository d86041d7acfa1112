"""``canassist demo``: the invented vehicle's rides, and a report on each."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from canassist.cli.exit_status import say
from canassist.cli.outputs import make_folder
from canassist.cli.progress_bar import bar


def demo(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER")] = Path("canassist-demo"),
    busy: Annotated[
        bool, typer.Option("--busy", help="Put the rides among 30-40 further messages.")
    ] = False,
) -> None:
    """Write sample logs, demo database and profile, a report on each ride, and what is learned."""
    from canassist import demo as invented
    from canassist import report as writing
    from canassist.atomic_write import write_whole
    from canassist.pipeline import analyze

    with bar() as progress:
        rides = invented.write_demo(folder, busy=busy, progress=progress)
    reports = folder / "reports"
    make_folder(reports)
    for ride in rides:
        result = analyze(ride.log, dbc=[ride.dbc], profile=ride.profile)
        page = reports / f"{ride.name}.report.html"
        files = {
            page: writing.render_page(result).encode(),
            page.with_suffix(".json"): writing.result_json(result),
        }
        write_whole(files)
        say(f"{page}\n  {result.conclusions[0].headline}")
    _learn(folder)
    say("Open any of these pages in a browser. All of it is invented.")


def _learn(folder: Path) -> None:
    """Learn the model from its sound vehicles' rides, as `canassist learn` would."""
    from canassist import demo as invented
    from canassist.atomic_write import write_whole
    from canassist.learning import learn
    from canassist.profile import profile_toml
    from canassist.report import render_learned

    database = folder / invented.DATABASE_FOLDER
    profile = database / invented.LEARNED_PROFILE
    sheet = profile.with_suffix(".learned.html")
    rides = folder / invented.LOGS_FOLDER / invented.SOUND_FOLDER
    with bar() as progress:
        found = learn(
            [str(rides)], dbc=[str(database / f"{invented.TRAIL.name}.dbc")], progress=progress
        )
    write_whole(
        {profile: profile_toml(found.profile).encode(), sheet: render_learned(found).encode()}
    )
    say(f"{sheet}\n  Learned from {found.rides} rides of {found.vehicles} sound vehicles.")
