"""What the workshop says about the job, from options and a TOML file."""

from __future__ import annotations

import re
import tomllib
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from canassist.errors import InputError, UsageError

if TYPE_CHECKING:
    from canassist.model import Case

_CLOCK: Final = re.compile(r"(?a)(?:(\d+):)?(\d+):([0-5]\d(?:\.\d+)?)|(\d+(?:\.\d+)?)")


def moment_s(text: str) -> float:
    """Return the seconds of ``m:ss``, ``h:mm:ss`` or plain seconds.

    Raises
    ------
    UsageError
        If it is none of these.
    """
    found = _CLOCK.fullmatch(text.strip())
    if not found:
        raise UsageError(f'--at "{text}" is no moment of a ride.', "Write m:ss, such as 3:25.")
    hours, minutes, seconds, plain = found.groups()
    if plain is not None:
        return float(plain)
    return int(hours or 0) * 3600.0 + int(minutes) * 60.0 + float(seconds)


def read_case(path: Path) -> Case:
    """Read a case file: the names of the report's case options as keys.

    Raises
    ------
    InputError
        If it is missing, not TOML, or holds an unknown key, no text or no moment.
    """
    from canassist.model import Case

    known = tuple(item.name for item in fields(Case) if item.name != "at_s")
    try:
        table = tomllib.loads(path.read_text("utf-8-sig"))
    except OSError as error:
        problem = f"{path.name}: cannot be read ({error.strerror})."
        raise InputError(problem, "Check the name of the case file.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        problem = f"{path.name}: not valid TOML: {error}."
        raise InputError(problem, "Correct the line that it names.") from error
    moments = table.pop("at", [])
    listed = moments if isinstance(moments, list) else [moments]
    unknown = sorted(set(table) - set(known))
    if unknown:
        problem = f"{path.name}: {unknown[0]} is not known."
        raise InputError(problem, f"Known: {', '.join((*known, 'at'))}.")
    for name, value in table.items():
        if isinstance(value, (bool, list, dict)):
            problem = f"{path.name}: {name} is no text."
            raise InputError(problem, f'Write it in quotes: {name} = "...".')
    words = {name: str(value) for name, value in table.items()}
    try:
        return Case(**words, at_s=tuple(moment_s(str(item)) for item in listed))
    except UsageError as error:
        problem = error.problem.removeprefix("--")
        raise InputError(f"{path.name}: {problem}", error.fix) from error


def make_case(file: Path | None, at: list[str], **words: str) -> Case:
    """Join a case file with options; an option wins over the file."""
    from canassist.model import Case

    case = read_case(file) if file else Case()
    given = {name: value for name, value in words.items() if value}
    moments = tuple(moment_s(text) for text in at)
    return replace(case, **given, at_s=(*case.at_s, *moments))
