"""``canassist channels``: which signal serves which channel, and why."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from canassist.cli.options import Databases, JsonFile, ProfileFile


def channels(
    source: Annotated[Path, typer.Argument(metavar="LOG_OR_DBC")],
    dbc: Databases = None,
    profile: ProfileFile = None,
    write: Annotated[
        Path | None,
        typer.Option("--write", metavar="FILE", help="Start a profile with these channels."),
    ] = None,
    json_file: JsonFile = None,
) -> None:
    """Show which signal serves which channel, and how much of the log is known."""
    raise NotImplementedError((source, dbc, profile, write, json_file))
