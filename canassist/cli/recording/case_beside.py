"""``RIDE.case.toml``, which `record` writes beside a log: moments, words, what was lost."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from canassist.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from canassist.model import RecorderNotes, RiderNote

CASE_ENDING: Final = ".case.toml"

Table = dict[str, Any]  # Any: TOML values have any TOML type


def case_files_beside(logs: Sequence[Path], *, besides: Path | None = None) -> list[Path]:
    """Return the case files that stand beside logs, by the logs' names.

    Parameters
    ----------
    besides : Path, optional
        A case file that is given by name: it is not taken twice.
    """
    from canassist.cli.files.real_place import is_file, real_place
    from canassist.cli.output_names import stem

    beside = [log.with_name(stem(log) + CASE_ENDING) for log in logs if log.name]
    given = real_place(besides) if besides is not None else None
    return [path for path in dict.fromkeys(beside) if is_file(path) and real_place(path) != given]


def raw_moments(table: Table, name: str) -> tuple[float, ...]:
    """Take ``at_log`` out of a case file.

    Raises
    ------
    InputError
        If it is no list of numbers.
    """
    listed = table.pop("at_log", [])
    if not isinstance(listed, list):
        listed = [listed]
    return tuple(_number(item, name, "at_log") for item in listed)


def rider_notes(table: Table, name: str) -> tuple[RiderNote, ...]:
    """Return the notes in ``[recording]`` of a case file.

    Raises
    ------
    InputError
        If one has no time or no text.
    """
    from canassist.model import RiderNote

    found = table.get("recording")
    notes = []
    for one in _rows(found, "notes", name) if isinstance(found, dict) else []:
        text = one.get("text", "")
        if not isinstance(text, str):
            raise _refused(name, "a note is no text.", 'Write it in quotes: text = "...".')
        at_log_s = _number(one.get("at_log"), name, "notes")
        notes.append(RiderNote(at_s=0.0, at_log_s=at_log_s, text=text))
    return tuple(notes)


def recorder_notes(table: Table, name: str) -> RecorderNotes | None:
    """Take ``[recording]`` out of a case file; None where there is none.

    Raises
    ------
    InputError
        If a loss or a hole has no time.
    """
    from canassist.model import RecorderNotes

    found = table.pop("recording", None)
    if found is None:
        return None
    if not isinstance(found, dict):
        raise _refused(name, "recording is no table.", "Write it as `canassist record` does.")
    losses = [_number(one.get("at_log"), name, "losses") for one in _rows(found, "losses", name)]
    holes = [
        (
            _number(one.get("start_log"), name, "holes"),
            _number(one.get("end_log", one.get("start_log")), name, "holes"),
        )
        for one in _rows(found, "holes", name)
    ]
    return RecorderNotes(losses_log_s=tuple(losses), holes_log_s=tuple(holes))


def _rows(found: Table, key: str, name: str) -> list[Table]:
    rows = found.get(key, [])
    if not isinstance(rows, list) or not all(isinstance(one, dict) for one in rows):
        problem = f"recording.{key} is no list of tables."
        raise _refused(name, problem, f"Write each as [[recording.{key}]].")
    return rows


def _number(item: object, name: str, key: str) -> float:
    if isinstance(item, (int, float)) and not isinstance(item, bool) and abs(item) <= _MOST_S:
        return float(item)
    problem = f"{key} holds what is no time stamp of a log."
    raise _refused(name, problem, "Write seconds, as they stand in the log: 1700000000.25.")


_MOST_S: Final = 1e10
"""No log's clock shows more seconds: the year 2286. (NaN is no number here either.)"""


def _refused(name: str, problem: str, fix: str) -> InputError:
    return InputError(f"{name}: {problem}", fix)
