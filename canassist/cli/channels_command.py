"""``canassist channels``: which signal serves which channel, and why."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from canassist.cli.bar import bar
from canassist.cli.options import Databases, JsonFile, ProfileFile

if TYPE_CHECKING:
    from canassist.decode import Databases as KnownSignals
    from canassist.profile import Profile

DATABASE_ENDINGS: Final = frozenset({".dbc", ".kcd", ".sym", ".arxml"})


def channels(
    source: Annotated[
        Path, typer.Argument(metavar="LOG_OR_DBC", help="A ride, or a signal database alone.")
    ],
    dbc: Databases = None,
    profile: ProfileFile = None,
    write: Annotated[
        Path | None,
        typer.Option("--write", metavar="FILE", help="Start a profile with these channels."),
    ] = None,
    json_file: JsonFile = None,
) -> None:
    """Show which signal serves which channel, and how much of the log is known."""
    from canassist import channel_list
    from canassist.decode import split_bus
    from canassist.output import write_whole
    from canassist.pipeline import check_present, survey
    from canassist.profile import default_profile, read_profile

    known: Profile = read_profile(profile) if profile else default_profile()
    check_present([source, *(split_bus(path)[1] for path in dbc or [])])
    if source.suffix.lower() in DATABASE_ENDINGS:
        listing = channel_list.of_databases(_load([source, *(dbc or [])]))
    else:
        with bar() as progress:
            listing = channel_list.of_ride(survey([source], dbc or [], known, progress))
    data = json.dumps(listing.as_json(), indent=1, ensure_ascii=False).encode() + b"\n"
    files: dict[Path, bytes] = {}
    if write is not None:
        files[write] = listing.profile_start.encode()
    if json_file not in (None, "-"):
        files[Path(json_file)] = data
    write_whole(files)
    if json_file == "-":
        sys.stdout.buffer.write(data)
    else:
        typer.echo(listing.as_text())


def _load(paths: list[Path]) -> KnownSignals:
    from canassist.decode import load_databases

    return load_databases(paths)
