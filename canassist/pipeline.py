"""One ride, the whole way: log, databases and profile in; `Result` out."""

from __future__ import annotations

import hashlib
import importlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from canassist import decode, frames
from canassist.decode import split_bus
from canassist.errors import InputError, UsageError
from canassist.model import (
    Case,
    InputFile,
    LogSummary,
    Problem,
    Profile,
    Result,
    Step,
    Timeline,
    silent,
)
from canassist.packed_knowledge import packed_knowledge
from canassist.profile import default_profile, limits_changed, read_profile
from canassist.result_views import PackageViews
from canassist.timeline import followed, placed, with_recorder_notes
from canassist.version import VERSION

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canassist.decode import DecodedRide
    from canassist.frames import Recording
    from canassist.judging import Judgement
    from canassist.model import Progress, RecorderNotes

PathLike = str | Path


@dataclass(frozen=True, slots=True, kw_only=True)
class DecodedLog:
    """A log after reading and decoding, before anything is judged."""

    recording: Recording
    decoded: DecodedRide
    timeline: Timeline


def analyze(  # noqa: PLR0913 - the inputs of one ride
    log: PathLike | Sequence[PathLike],
    *,
    dbc: PathLike | Sequence[PathLike] = (),
    profile: PathLike | Profile | None = None,
    case: Case | None = None,
    case_file: PathLike | Sequence[PathLike] | None = None,
    project_file: PathLike | None = None,
    one_ride: bool = False,
    progress: Progress = silent,
) -> Result:
    """Find out why the steering was heavy on one ride.

    Parameters
    ----------
    log : path or sequence of paths
        One recording; several files are parts of one ride.
    dbc : path or sequence of paths
        Signal databases; without one only what the open standards define is found.
    profile : path or Profile, optional
        What is known of the vehicle; without it default limits are assumed.
    case : Case, optional
        What the workshop says about the job.
    case_file : path or sequence of paths, optional
        Files that it was read from, to be listed among the inputs.
    project_file : path, optional
        What named databases, profile, units or zone, to be listed too.
    one_ride : bool
        Take the files for one ride though they overlap with other values or lie far apart.
    progress : callable, optional
        Called with a `Step` now and then; what it raises stops the work.

    Returns
    -------
    Result
        Channels, events, estimates and ranked conclusions.

    Raises
    ------
    CanassistError
        If an input cannot be used; it says what, where and what to do.
    """
    log_paths, dbc_paths = _paths(log), _paths(dbc)
    dbc_files = [split_bus(path)[1] for path in dbc_paths]
    check_present((*log_paths, *dbc_files))
    case = case or Case()
    profile_paths = [Path(profile)] if isinstance(profile, (str, Path)) else []
    given = _profile(profile)
    pool = ThreadPoolExecutor(max_workers=1)
    try:
        said_in = _paths(project_file or ()), _paths(case_file or ())
        hashing = pool.submit(inputs_at_hand, log_paths, dbc_paths, profile_paths, *said_in)
        pool.submit(importlib.import_module, "canassist.judging")
        with packed_knowledge(log_paths, profile_given=profile is not None) as packed:
            known = packed.profile or given
            ride = survey(
                log_paths,
                (*dbc_paths, *packed.databases),
                known,
                progress,
                recorder=case.recorder,
                one_ride=one_ride,
                used_otherwise=packed.members,
            )
        case = _with_moments(case, ride.recording)
        from canassist.judging import judge  # noqa: PLC0415 - loaded while the log is read

        progress(Step("judging", 0, 1))
        answer = judge(ride.timeline, known, case)
        inputs = hashing.result()
    finally:
        pool.shutdown(cancel_futures=True)
    progress(Step("judging", 1, 1))
    return _result(inputs, ride, answer, known, case, packed.problems)


def survey(  # noqa: PLR0913 - the inputs of one ride
    log_paths: Sequence[Path],
    dbc_paths: Sequence[Path],
    profile: Profile,
    progress: Progress = silent,
    *,
    recorder: RecorderNotes | None = None,
    one_ride: bool = False,
    used_otherwise: frozenset[str] = frozenset(),
) -> DecodedLog:
    """Read and decode whatever is known of a log, which may be no channel at all.

    Raises
    ------
    CanassistError
        If a file cannot be used.
    """
    databases = decode.load_databases(dbc_paths)
    plan = decode.plan_reading(databases, profile)
    recording = frames.open_log(
        log_paths,
        bit_rate=profile.bit_rate_bps,
        one_ride=one_ride,
        used_otherwise=used_otherwise,
    )
    collector = decode.FrameCollector()
    for block in recording.blocks(
        request=frames.ReadRequest(wanted=plan.wanted), progress=progress
    ):
        collector.feed(block)
    stats = recording.stats()
    if recorder is not None:
        stats = with_recorder_notes(stats, placed(recorder, recording.seconds_of))
    sorted_frames = collector.finish(recording.zero_ns)
    decoded = decode.decode_ride(sorted_frames, plan, profile, stats)
    timeline = Timeline(
        channels=followed(decoded.channels, stats),
        duration_s=stats.duration_s,
        start_utc=recording.start_utc,
        bus=stats,
        senders=decoded.senders,
        integrity=decoded.integrity,
        trouble_codes=decoded.trouble_codes,
        identity=decoded.identity,
        fit=decoded.fit,
        unused=decoded.unused,
    )
    return DecodedLog(recording=recording, decoded=decoded, timeline=timeline)


def _result(  # noqa: PLR0913, PLR0917 - the parts of a result
    inputs: tuple[InputFile, ...],
    ride: DecodedLog,
    answer: Judgement,
    profile: Profile,
    case: Case,
    problems: tuple[Problem, ...],
) -> Result:
    stats, verdict = ride.timeline.bus, answer.verdict
    summary = LogSummary(
        format=ride.recording.formats,
        start_utc=ride.timeline.start_utc,
        start_local=ride.recording.start_local,
        duration_s=stats.duration_s,
        frames=stats.frames,
        error_frames=stats.error_frames,
        buses=stats.buses,
        ids=len(stats.ids),
        ids_known=ride.decoded.ids_known,
        problems=(
            *_idle_files(ride),
            *ride.recording.problems,
            *problems,
            *ride.decoded.problems,
        ),
        fit=ride.decoded.fit,
    )
    return Result(
        version=VERSION,
        inputs=inputs,
        log=summary,
        timeline=ride.timeline,
        physics=answer.physics,
        events=verdict.events,
        conclusions=verdict.conclusions,
        ruled_out=verdict.ruled_out,
        coverage=verdict.coverage,
        profile=profile,
        assumed=profile.assumed,
        limits_changed=limits_changed(profile),
        first_by_default=answer.first_by_default,
        moments=verdict.moments,
        case=case,
        views=PackageViews(),
    )


def _idle_files(ride: DecodedLog) -> list[Problem]:
    """Name the files of a ride of several that feed no channel."""
    used = {(one.source.bus, one.source.key) for one in ride.decoded.channels.values()}
    what = "feeds no channel: nothing in it is known as one"
    return [
        Problem(name, what, grave=True)
        for name, sources in ride.recording.sources_by_file.items()
        if used and sources.isdisjoint(used)
    ]


def _with_moments(case: Case, recording: Recording) -> Case:
    """Place moments and notes that are raw time stamps of the log; they win over those beside."""
    placed_s = [recording.seconds_of(raw_s) for raw_s in case.at_log_s]
    beside = [*case.at_s[: len(placed_s)], *[None] * (len(placed_s) - len(case.at_s))]
    moments = [at if at is not None else own for at, own in zip(placed_s, beside, strict=True)]
    at_s = [round(at, 3) for at in moments if at is not None]
    raw = [(one, one.at_log_s) for one in case.notes]
    notes = [
        (one, one.at_s if raw_s is None else recording.seconds_of(raw_s)) for one, raw_s in raw
    ]
    return replace(
        case,
        at_s=(*at_s, *case.at_s[len(placed_s) :]),
        notes=tuple(
            replace(one, at_s=round(at, 3), at_log_s=None) for one, at in notes if at is not None
        ),
    )


def _profile(profile: PathLike | Profile | None) -> Profile:
    if profile is None:
        return default_profile()
    return profile if isinstance(profile, Profile) else read_profile(Path(profile))


def _paths(paths: PathLike | Sequence[PathLike]) -> tuple[Path, ...]:
    if isinstance(paths, (str, Path)):
        return (Path(paths),)
    return tuple(Path(path) for path in paths)


def check_present(paths: Iterable[Path]) -> None:
    """Refuse a file that is missing, is a folder or is given twice.

    Raises
    ------
    InputError, UsageError
        Naming the file.
    """
    seen = set()
    for path in paths:
        try:
            place = path.resolve()
            is_folder, is_file = path.is_dir(), path.is_file()
        except (OSError, RuntimeError) as error:  # a loop of links, a name too long
            why = getattr(error, "strerror", None) or "its links lead in a circle"
            problem = f"{path.name[:100]}: cannot be opened ({why})."
            raise InputError(problem, "Check its name and folder.") from error
        if is_folder:
            raise InputError(f"{path.name}: is a folder, not a file.", "Give the file itself.")
        if not is_file:
            raise InputError(f"{path.name}: no such file.", "Check its name and folder.")
        if place in seen:
            raise UsageError(f"{path.name}: given twice.", "Give each file once.")
        seen.add(place)


def inputs_at_hand(
    logs: Sequence[Path],
    databases: Sequence[Path],
    profiles: Sequence[Path],
    projects: Sequence[Path] = (),
    cases: Sequence[Path] = (),
) -> tuple[InputFile, ...]:
    """Return name, size and SHA-256 of every file, in the order in which a result lists them.

    A database may be given as ``BUS=FILE``.
    """
    return (
        *(input_file(path, "log") for path in logs),
        *(replace(input_file(path, "dbc"), bus=bus) for bus, path in map(split_bus, databases)),
        *(input_file(path, "profile") for path in profiles),
        *(input_file(path, "project") for path in projects),
        *(input_file(path, "case") for path in cases),
    )


def input_file(path: Path, role: str) -> InputFile:
    """Return name, size and SHA-256 of a file.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    try:
        with path.open("rb") as source:
            digest = hashlib.file_digest(source, "sha256").hexdigest()
            size = source.tell()
    except OSError as error:
        problem = f"{path.name}: cannot be read ({error.strerror})."
        raise InputError(problem, "Check that the file is there and open to you.") from error
    return InputFile(role=role, name=path.name, sha256=digest, size_bytes=size)
