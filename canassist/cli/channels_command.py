"""``canassist channels``: which signal serves which channel, and why."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from canassist.cli.exit_status import put_out, say, tell
from canassist.cli.options import Databases, JsonFile, ProfileFile
from canassist.cli.outputs import STANDARD_OUTPUT, check_apart
from canassist.cli.progress_bar import bar

if TYPE_CHECKING:
    from canassist.decode import Databases as KnownSignals
    from canassist.model import Profile
    from canassist.pipeline import DecodedLog

DATABASE_ENDINGS: Final = frozenset({".dbc", ".kcd", ".sym", ".arxml"})


def channels(
    source: Annotated[
        Path, typer.Argument(metavar="LOG_OR_DBC", help="A ride, or a signal database alone.")
    ],
    dbc: Databases = None,
    profile: ProfileFile = None,
    write: Annotated[
        Path | None,
        typer.Option("--write", metavar="FILE", help="Write a profile with these channels."),
    ] = None,
    json_file: JsonFile = None,
) -> None:
    """Show which signal serves which channel, and how much of the log is known."""
    from canassist import channel_list
    from canassist.atomic_write import check_folder, write_whole
    from canassist.decode import split_bus
    from canassist.pipeline import check_present
    from canassist.profile import default_profile, read_profile

    known: Profile = read_profile(profile) if profile else default_profile()
    read = [source, *(split_bus(path)[1] for path in dbc or [])]
    check_present(read)
    json_path = _json_path(json_file)
    written = [path for path in (write, json_path) if path is not None]
    check_apart(written, read)  # a profile may be written anew over itself
    for path in written:
        check_folder(path)
    if source.suffix.lower() in DATABASE_ENDINGS:
        listing = channel_list.of_databases(_load([source, *(dbc or [])]), given=known.channels)
    else:
        listing = channel_list.of_ride(_surveyed(source, dbc or [], profile, known))
    data = json.dumps(listing.as_json(), indent=1, ensure_ascii=False).encode() + b"\n"
    files: dict[Path, bytes] = {}
    if write is not None:
        files[write] = _profile(listing.profile_start, profile).encode()
    if json_path is not None:
        files[json_path] = data
    write_whole(files)
    if json_file == STANDARD_OUTPUT:
        put_out(data)
    else:
        say(listing.as_text())


def _surveyed(source: Path, dbc: list[Path], profile: Path | None, known: Profile) -> DecodedLog:
    """Read a ride with what is given, and what lies beside it in its archive."""
    from canassist.packed_knowledge import packed_knowledge
    from canassist.pipeline import survey

    with bar() as progress, packed_knowledge([source], profile_given=bool(profile)) as packed:
        ride = survey(
            [source],
            [*dbc, *packed.databases],
            packed.profile or known,
            progress,
            used_otherwise=packed.members,
        )
    for problem in packed.problems:
        tell(f"{problem.where}: {problem.what}")
    return ride


def _json_path(json_file: str | None) -> Path | None:
    return None if json_file in {None, STANDARD_OUTPUT} else Path(str(json_file))


def _profile(start: str, profile: Path | None) -> str:
    """Return the profile to write: what was given is kept, what was found is added."""
    if profile is None:
        return start
    from canassist.cli.files.whole_profile import whole_profile

    return whole_profile(profile.read_text("utf-8-sig"), start, profile.name)


def _load(paths: list[Path]) -> KnownSignals:
    from canassist.decode import load_databases

    return load_databases(paths)
