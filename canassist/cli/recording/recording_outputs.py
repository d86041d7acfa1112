"""What a recording leaves behind: names, the log in another format, the last words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from canassist.cli.exit_status import say, tell
from canassist.cli.output_names import stem
from canassist.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.record import LiveAnswer, RecordingSession

PACKED: Final = ".log.gz"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingNames:
    """The files of a recording.

    Attributes
    ----------
    log : Path
        What is recorded: always packed candump text.
    other : Path or None
        The same in another format, made at the end.
    """

    log: Path
    other: Path | None
    report: Path


def names_of(output: Path | None, *, make_report: bool) -> RecordingNames:
    """Return the names of a recording's files; none of them may be there already.

    Raises
    ------
    CanassistError
        If one is there, the folder is missing, or the ending is of no format.
    """
    from canassist.atomic_write import check_folder
    from canassist.record import FORMATS

    given = output or Path(datetime.now().astimezone().strftime("ride-%Y-%m-%d-%H%M%S"))
    plain = given.with_name(stem(given))
    log = plain.with_name(plain.name + PACKED)
    ending = given.name.removeprefix(plain.name)
    other = None
    if ending and ending != PACKED:
        if ending.lower() not in FORMATS:
            problem = f"{given.name}: no log is written with the ending {ending}."
            raise UsageError(problem, f"Known: {PACKED}, {', '.join(sorted(FORMATS))}.")
        other = given
    report = plain.with_name(plain.name + ".report.html")
    case = plain.with_name(plain.name + ".case.toml")
    wanted = [log, case, other, report if make_report else None]
    for path in wanted:
        if path is not None and path.exists():
            problem = f"{path}: is there already; a recording writes over nothing."
            raise UsageError(problem, "Choose another name with -o.")
    check_folder(log)
    return RecordingNames(log=log, other=other, report=report)


def finish(session: RecordingSession, names: RecordingNames) -> None:
    """Make the other format, and say what lies where."""
    from canassist.record import convert

    log = names.log
    if names.other is not None and log.exists():
        try:
            frames = convert(log, names.other)
        except Exception:
            tell(f"{names.other.name}: could not be made; the whole log is {log}.")
            raise
        log.unlink()
        log = names.other
        tell(f"{log.name}: {frames} frames.")
    for path in [*session.written_out, *([log] if log.exists() else [])]:
        say(f"  log: {path}")


def summary(session: RecordingSession, answer: LiveAnswer | None) -> Iterator[str]:
    """Give the last words: what was recorded, what is missing and how to ride it."""
    from canassist.record import minutes

    state = session.state()
    yield (
        f"Recorded {state.frames} frames in {minutes(state.log_s)}; lost {state.lost};"
        f" errors {state.errors}."
    )
    yield from state.warnings
    for one in state.marks:
        yield f"  {one.kind} at {minutes(one.at_s)}" + (f": {one.text}" if one.text else "")
    if answer is not None:
        yield from _live_words(answer, alert=state.alert)


def _live_words(answer: LiveAnswer, *, alert: bool) -> Iterator[str]:
    from canassist.record import RowState, alarm_text

    if answer.note:
        yield answer.note
    if alert:
        yield f"Alarms: {len(answer.alarms)}." if answer.alarms else "No alarm."
        yield from (f"  {alarm_text(one)}" for one in answer.alarms)
    if answer.recipe and all(one.state is not RowState.MISSING for one in answer.recipe):
        yield "Nothing that can be ridden is missing."
    for row in answer.recipe:
        if row.state is RowState.MISSING:
            done = f"{row.ridden:.0f} of {row.needed:.0f} {row.unit}".rstrip()
            yield f"  missing: {row.name}, {done}: {row.how}."
        elif row.state is RowState.IMPOSSIBLE:
            yield f"  cannot be told: {row.name} ({row.how})."
