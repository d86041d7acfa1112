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
    """Write sample logs, demo database and profile, and a report on each ride."""
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
    say("Open any of these pages in a browser. All of it is invented.")
