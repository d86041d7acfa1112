"""What the workshop says about the job, from options and a TOML file."""

from __future__ import annotations

import re
import tomllib
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canassist import plain_toml
from canassist.errors import InputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import Case, RecorderNotes

_TWO_PLACES: Final = re.compile(r"(?a)\s*(\d+)[.,]([0-5]\d)\s*")
_CLOCK: Final = re.compile(r"(?a)(?:(\d{1,6}):)?(\d{1,9}):([0-5]\d(?:\.\d+)?)|(\d{1,10}(?:\.\d+)?)")


def moment_s(text: str) -> float:
    """Return the seconds of ``m:ss``, ``h:mm:ss`` or plain seconds.

    Raises
    ------
    UsageError
        If it is none of these, or may be read in two ways.
    """
    meant = _TWO_PLACES.fullmatch(text)
    if meant:
        problem = f'--at "{text}" may be minutes and seconds, or seconds.'
        raise UsageError(
            problem, f"Write {meant[1]}:{meant[2]}, or {meant[1]}.{meant[2]}0 seconds."
        )
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
    from canassist.cli.recording.case_beside import raw_moments, recorder_notes, rider_notes
    from canassist.model import Case

    known = tuple(item.name for item in fields(Case) if item.type == "str")
    try:
        table = plain_toml.loads(path.read_text("utf-8-sig"))
    except OSError as error:
        problem = f"{path.name}: cannot be read ({error.strerror})."
        raise InputError(problem, "Check the name of the case file.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        problem = f"{path.name}: not valid TOML: {error}."
        raise InputError(problem, "Correct the line that it names.") from error
    notes = rider_notes(table, path.name)
    at_log_s, recorder = raw_moments(table, path.name), recorder_notes(table, path.name)
    moments = table.pop("at", [])
    listed = moments if isinstance(moments, list) else [moments]
    unknown = sorted(set(table) - set(known))
    if unknown:
        problem = f"{path.name}: {unknown[0]} is not known."
        raise InputError(problem, f"Known: {', '.join((*known, 'at', 'at_log'))}.")
    for name, value in table.items():
        if isinstance(value, (bool, list, dict)):
            problem = f"{path.name}: {name} is no text."
            raise InputError(problem, f'Write it in quotes: {name} = "...".')
    words = {name: str(value) for name, value in table.items()}
    try:
        at_s = tuple(moment_s(str(item)) for item in listed)
    except UsageError as error:
        problem = error.problem.removeprefix("--")
        raise InputError(f"{path.name}: {problem}", error.fix) from error
    return Case(**words, at_s=at_s, at_log_s=at_log_s, recorder=recorder, notes=notes)


def make_case(
    file: Path | None, at: list[str], *, beside: Sequence[Path] = (), **words: str
) -> Case:
    """Join case files with options; an option wins over a file, `file` over those `beside`."""
    from canassist.model import Case

    case = Case()
    for path in (*beside, *([file] if file else [])):
        case = _joined(case, read_case(path))
    given: dict[str, Any] = {name: value for name, value in words.items() if value}  # Any: as below
    moments = tuple(moment_s(text) for text in at)
    return replace(case, **given, at_s=(*case.at_s, *moments))


def _joined(case: Case, other: Case) -> Case:
    """Join what two files say; the words of `other` win, all moments count.

    Moments with a raw time stamp come first, so that each keeps its own.
    """
    words: dict[str, Any] = {  # Any: `replace` takes values of every field's type
        item.name: getattr(other, item.name) or getattr(case, item.name)
        for item in fields(case)
        if item.type == "str"
    }
    both = (case, other)
    raw = tuple(at for one in both for at in one.at_log_s)
    paired = [at for one in both for at in one.at_s[: len(one.at_log_s)]]
    plain = [at for one in both for at in one.at_s[len(one.at_log_s) :]]
    return replace(
        case,
        **words,
        at_s=(*paired, *plain),
        at_log_s=raw,
        notes=(*case.notes, *other.notes),
        recorder=_noted([one.recorder for one in both if one.recorder is not None]),
    )


def _noted(notes: list[RecorderNotes]) -> RecorderNotes | None:
    if not notes:
        return None
    return replace(
        notes[0],
        losses_log_s=tuple(at for one in notes for at in one.losses_log_s),
        holes_log_s=tuple(hole for one in notes for hole in one.holes_log_s),
    )
