"""``canassist record``: a ride recorded, listening only, its recipe watched live."""

from __future__ import annotations

import re
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from canassist.cli import options
from canassist.cli.exit_status import say, tell
from canassist.cli.files.project_file import join_project
from canassist.errors import CanassistError, UsageError

if TYPE_CHECKING:
    from canassist.cli.recording.recording_outputs import RecordingNames
    from canassist.record import LiveAnswer, RecordingPlan, RecordingSession, Source

_SIZE: Final = re.compile(r"(?a)(\d+(?:\.\d+)?)\s*([kMG])?B?")
_LENGTH: Final = re.compile(r"(?a)(\d+(?:\.\d+)?)\s*(s|m|min|h)?")
_POWER: Final = {None: 1, "k": 10**3, "M": 10**6, "G": 10**9}
_SECONDS: Final = {None: 60.0, "s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0}


def record(  # noqa: PLR0913, PLR0917 - typer makes an option of each
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="RIDE", help="Name of the ride, with folder."),
    ] = None,
    interface: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Interface as python-can names it; repeatable."),
    ] = None,
    channel: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Channel as the interface names it; repeatable."),
    ] = None,
    bitrate: Annotated[
        list[int] | None,
        typer.Option(metavar="BIT/S", min=1, help="Bit rate; one for all or one a channel."),
    ] = None,
    fd: Annotated[bool, typer.Option("--fd", help="Ask the interface for CAN FD.")] = False,
    dbc: options.Databases = None,
    profile: options.ProfileFile = None,
    replay: Annotated[
        list[Path] | None,
        typer.Option(metavar="LOG", help="A log that stands in for the interface; repeatable."),
    ] = None,
    speed: Annotated[
        float, typer.Option(metavar="N", help="Replay so many times faster.", min=0.01)
    ] = 1.0,
    minutes: Annotated[
        float | None, typer.Option(metavar="N", help="End after so many minutes.", min=0.0)
    ] = None,
    size: Annotated[
        str | None, typer.Option(metavar="SIZE", help="End at this size, such as 500M.")
    ] = None,
    keep_last: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="Keep the last 30m only; a mark writes them out."),
    ] = None,
    alert: Annotated[
        bool, typer.Option("--alert", help="Ring at a dip, a lost channel or a restart.")
    ] = False,
    page: Annotated[
        str | None,
        typer.Option(metavar="HOST:PORT", help="Show it on a page too, for a tablet."),
    ] = None,
    report: Annotated[bool, typer.Option("--report", help="Write the report at the end.")] = False,
    no_project: options.NoProject = False,
) -> None:
    """Record a ride, listening only, and show what the ride still lacks."""
    from canassist.cli.recording.recording_outputs import names_of

    names = names_of(output, make_report=report)
    project = join_project(names.log, dbc=dbc, profile=profile, use=not no_project)
    plan = _plan(names.log, project.dbc, project.profile, minutes, size, keep_last, alert=alert)
    sources = _sources(interface or [], channel or [], bitrate or [], replay or [], speed, fd=fd)
    from canassist.record import RecordingSession

    session = RecordingSession(plan, sources)
    for one in sources:
        tell(one.listening)
    answer = _run(session, page)
    _finish(session, answer, names)
    if report:
        from canassist.cli.report_command import report as make_report

        logs = [names.log] if names.log.exists() else session.written_out[-1:]
        if logs:
            make_report(logs, dbc=dbc, profile=profile, output=names.report, no_project=no_project)
    if session.unwritten:
        raise typer.Exit(2)


def _plan(  # noqa: PLR0913, PLR0917 - the command's options
    log: Path,
    dbc: list[Path],
    profile: Path | None,
    minutes: float | None,
    size: str | None,
    keep_last: str | None,
    *,
    alert: bool,
) -> RecordingPlan:
    """Check what can be checked before the ride: nobody rides twice for a wrong file name."""
    from canassist.decode import load_databases, plan_reading
    from canassist.profile import default_profile, read_profile
    from canassist.record import RecordingPlan

    known = read_profile(profile) if profile else default_profile()
    databases = load_databases(dbc)
    plan_reading(databases, known)
    for problem in databases.problems:
        tell(f"{problem.where}: {problem.what}")
    return RecordingPlan(
        log=log,
        databases=tuple(dbc),
        profile=known,
        minutes=minutes,
        size_bytes=None if size is None else size_bytes(size),
        keep_s=None if keep_last is None else length_s(keep_last),
        alert=alert,
    )


def _sources(  # noqa: PLR0913 - the command's options
    interface: list[str],
    channel: list[str],
    bitrate: list[int],
    replay: list[Path],
    speed: float,
    *,
    fd: bool,
) -> tuple[Source, ...]:
    from canassist.record import channel_settings, open_sources, replayed

    if replay:
        if interface or channel or bitrate:
            problem = "--replay stands in for an interface; both are given."
            raise UsageError(problem, "Leave out --interface, --channel and --bitrate.")
        return (replayed(replay, speed),)
    return open_sources(channel_settings(interface, channel, bitrate, fd=fd))


def _run(session: RecordingSession, page: str | None) -> LiveAnswer | None:
    """Record until a bound, a key, or an interrupt ends it; whatever ends it, all is written."""
    from canassist.cli.recording.recording_screen import run_with_screen

    if page is None:
        return run_with_screen(session)
    from canassist.cli.recording.recording_page import page_for

    with ExitStack() as serving:
        try:
            serving.enter_context(page_for(session, page))
        except CanassistError:
            session.abandon()
            raise
        return run_with_screen(session)


def _finish(session: RecordingSession, answer: LiveAnswer | None, names: RecordingNames) -> None:
    from canassist.cli.recording.recording_outputs import finish, summary

    for line in summary(session, answer):
        say(line)
    finish(session, names)


def size_bytes(text: str) -> int:
    """Return the bytes of ``500M``.

    Raises
    ------
    UsageError
        If it is no size.
    """
    found = _SIZE.fullmatch(text.strip())
    if not found or float(found[1]) <= 0:
        raise UsageError(f'--size "{text}" is no size.', "Write it as 500M or 2G.")
    return int(float(found[1]) * _POWER[found[2]])


def length_s(text: str) -> float:
    """Return the seconds of ``30m``; a bare number is minutes.

    Raises
    ------
    UsageError
        If it is no length of time.
    """
    found = _LENGTH.fullmatch(text.strip())
    if not found or float(found[1]) <= 0:
        raise UsageError(f'--keep-last "{text}" is no time.', "Write it as 30m, 90s or 2h.")
    return float(found[1]) * _SECONDS[found[2]]
