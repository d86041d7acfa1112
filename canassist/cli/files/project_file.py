"""``canassist.toml``: database, profile, units and zone of a workshop's vehicle, said once."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canassist import plain_toml
from canassist.cli.exit_status import tell
from canassist.errors import InputError

if TYPE_CHECKING:
    from canassist.cli.options import Units

PROJECT_NAME: Final = "canassist.toml"
_DATABASE_KEYS: Final = ("database", "dbc")
_KNOWN: Final = (*_DATABASE_KEYS, "profile", "units", "zone")


@dataclass(frozen=True, slots=True, kw_only=True)
class Project:
    """What holds where the command line says nothing.

    Attributes
    ----------
    dbc : list of Path
        Databases; as given, or the project's.
    profile : Path or None
        Likewise.
    units, zone : str
        Likewise; metric and UTC where neither says anything.
    file : Path or None
        The project file that was read, for the result's list of inputs.
    """

    dbc: list[Path]
    profile: Path | None
    units: Units = "metric"
    zone: str = ""
    file: Path | None = None


def join_project(  # noqa: PLR0913 - what a command line may leave open
    log: Path,
    *,
    dbc: list[Path] | None,
    profile: Path | None,
    units: Units | None = None,
    zone: str = "",
    use: bool = True,
) -> Project:
    """Return the command line's options, filled up from the project file above a log.

    Parameters
    ----------
    log : path
        The log, or a folder of logs.
    use : bool
        Whether the file is looked for at all.

    Raises
    ------
    InputError
        If it cannot be used.
    """
    found = find_project(log) if use else None
    table = read_project(found) if found else {}
    joined = Project(
        dbc=dbc if dbc else table.get("database", []),
        profile=profile or table.get("profile"),
        units=units or table.get("units", "metric"),
        zone=zone or table.get("zone", ""),
        file=found,
    )
    if found:
        tell(_used(found, joined, given=bool(dbc), profile_given=profile is not None))
    return joined


def _used(found: Path, joined: Project, *, given: bool, profile_given: bool) -> str:
    parts = [] if given else [path.name for path in joined.dbc]
    parts += [joined.profile.name] if joined.profile and not profile_given else []
    parts += [f"units {joined.units}"] if joined.units != "metric" else []
    parts += [f"zone {joined.zone}"] if joined.zone else []
    taken = ", ".join(parts) or "nothing, the command line says it all"
    return f"Taken from {found}: {taken}. (--no-project leaves it out.)"


def find_project(log: Path) -> Path | None:
    """Return the project file of a log's folder, or of the nearest above up to the home folder.

    Outside the home folder the search ends where a folder belongs to somebody else.
    """
    try:
        start = log.resolve()
        home = Path.home().resolve()
        folder = start if start.is_dir() else start.parent
    except (OSError, RuntimeError):
        return None
    for place in (folder, *folder.parents):
        candidate = place / PROJECT_NAME
        if candidate.is_file():
            return candidate
        if place == home or _owner(place.parent) != _owner(folder):
            break
    return None


def _owner(folder: Path) -> int | None:
    try:
        return folder.stat().st_uid
    except OSError:
        return None


def read_project(path: Path) -> dict[str, Any]:  # Any: each key has a type of its own
    """Read a project file; the names in it are relative to its folder.

    Raises
    ------
    InputError
        If it is not TOML or holds an unknown key or a value of a wrong kind.
    """
    try:
        table = plain_toml.loads(path.read_text("utf-8-sig"))
    except OSError as error:
        problem = f"{path.name}: cannot be read ({error.strerror})."
        raise InputError(problem, "Check it, or leave it out with --no-project.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        problem = f"{path.name}: not valid TOML: {error}."
        raise InputError(problem, "Correct the line that it names.") from error
    unknown = sorted(set(table) - set(_KNOWN))
    if unknown:
        problem = f"{path.name}: {unknown[0]} is not known there."
        raise InputError(problem, "It may name database, profile, units and zone.")
    found: dict[str, Any] = {}
    listed: Any = next((table[key] for key in _DATABASE_KEYS if key in table), [])  # Any: TOML
    names = listed if isinstance(listed, list) else [listed]
    found["database"] = [path.parent / _text(path, "database", name) for name in names]
    if "profile" in table:
        found["profile"] = path.parent / _text(path, "profile", table["profile"])
    if "units" in table:
        if table["units"] not in {"metric", "us"}:
            problem = f'{path.name}: units = "{table["units"]}" is not known.'
            raise InputError(problem, 'Write units = "metric" or units = "us".')
        found["units"] = table["units"]
    if "zone" in table:
        found["zone"] = _text(path, "zone", table["zone"])
    return found


def _text(path: Path, key: str, value: object) -> str:
    if not isinstance(value, str) or not value:
        raise InputError(f"{path.name}: {key} is no text.", f'Write it in quotes: {key} = "...".')
    return value
