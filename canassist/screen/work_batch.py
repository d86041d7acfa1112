"""What a worker does: a batch of logs in, one result file out.

Everything here is a plain function of plain values, so that any executor can run it.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Final

from canassist.atomic_write import write_whole
from canassist.decode import split_bus
from canassist.errors import CanassistError, InputError, OutputError
from canassist.model import BLAMELESS, Conclusion, ConclusionRole, Event, Result
from canassist.pipeline import analyze, input_file
from canassist.report import mask_vins
from canassist.screen.find_logs import is_remote, without_login
from canassist.screen.messages import Order, ScreenedOutcome
from canassist.screen.report_files import report_path
from canassist.screen.result_files import Row, done_index, json_line, write_part
from canassist.screen.ride_figures import derate_seconds, figures, known
from canassist.version import VERSION

_NAME_LETTERS: Final = 120


def screen_logs(order: Order, logs: tuple[str, ...]) -> list[ScreenedOutcome]:
    """Work on some logs one after the other and write their results into one file.

    What is wrong with a log is its result or its reason, never an error.

    Raises
    ------
    InputError
        If this worker has another version of canassist, another database or profile.
    OutputError
        If the file cannot be written.
    """
    _check_same(order)
    fresh: dict[str, bytes] = {}
    became = []
    with done_index(order.done) as known:
        for log in logs:
            try:
                with at_hand(log, order.home) as path:
                    sha256 = input_file(path, "log").sha256
                    if sha256 not in known and sha256 not in fresh:
                        fresh[sha256] = json_line(_result(order, path, sha256))
                became.append(ScreenedOutcome(log, sha256))
            except Exception as error:  # one log must not end the others
                became.append(ScreenedOutcome(log, reason=_words(error)))
    if not fresh:
        return became
    part = write_part(Path(order.results), fresh)
    return [replace(item, part=part) if item.sha256 in fresh else item for item in became]


def _check_same(order: Order) -> None:
    """Refuse to make results that would be taken for those of other settings."""
    if order.version != VERSION:
        problem = f"A worker has canassist {VERSION}, not {order.version} as here."
        raise InputError(problem, "Install the same version on every machine.")
    known = [(split_bus(Path(name))[1], "dbc") for name in order.dbc]
    known += [(Path(order.profile), "profile")] if order.profile else []
    for path, role in known:
        if input_file(path, role).sha256 not in order.inputs:
            problem = f"{path}: a worker finds another content there than was found here."
            fix = "Every machine must see the same databases and profile, unchanged meanwhile."
            raise InputError(problem, fix)


def _words(error: Exception) -> str:
    if isinstance(error, CanassistError):
        return mask_vins(str(error))
    return mask_vins(f"canassist itself failed: {type(error).__name__}: {error}")


@contextmanager
def at_hand(log: str, home: str = "") -> Iterator[Path]:
    """Give a log as a file on this machine; one in a store is fetched for as long as needed.

    Raises
    ------
    InputError
        If it cannot be fetched.
    """
    if not is_remote(log):
        yield Path(home) / log
        return
    import fsspec  # noqa: PLC0415 - an extra

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        try:
            store, name = fsspec.core.url_to_fs(log)
            path = Path(folder) / _file_name(name)
            store.get_file(name, str(path))
        except Exception as error:  # each store has its own kinds of error
            why = f"{type(error).__name__}: {error}".rstrip(": ")
            problem = f"{without_login(log)}: cannot be fetched ({why})."
            raise InputError(problem, "Check that this worker reaches the store.") from error
        yield path


def _file_name(address: str) -> str:
    """Return the last part of an address as a name that every system takes."""
    last = PurePosixPath(address.partition("?")[0]).name
    plain = "".join(char if char.isalnum() or char in "._- " else "_" for char in last)
    return plain.lstrip(". ")[-_NAME_LETTERS:] or "log"


def _result(order: Order, path: Path, sha256: str) -> Row:
    try:
        found = analyze(path, dbc=order.dbc, profile=order.profile or None)
    except CanassistError as error:
        if input_file(path, "log").sha256 != sha256:
            raise  # it changes, or cannot be read just now: that is not its content's fault
        return {
            "sha256": sha256,
            "status": "damaged",
            "reason": mask_vins(str(error)),
            "damage": "",
            "events": [],
        }
    return {
        "sha256": sha256,
        "status": "read",
        "reason": "",
        "damage": _damage(found, order.dbc),
        **_log_row(found),
        "events": [_event_row(number, item) for number, item in enumerate(found.events, 1)],
    }


def _damage(found: Result, dbc: tuple[str, ...]) -> str:
    """Return what of the log is missing, first place; what is wrong with a database is not its."""
    databases = tuple(Path(name.partition("=")[2] or name).name for name in dbc)
    own = [item for item in found.log.problems if not item.where.startswith(databases)]
    return mask_vins(f"{own[0].where}: {own[0].what}") if own else ""


def _log_row(found: Result) -> Row:
    first, covered = found.conclusions[0], found.coverage
    return {
        "format": found.log.format,
        "start_utc": _stamp(found.log.start_utc),
        "start_local": _stamp(found.log.start_local),
        "frames": found.log.frames,
        "error_frames": found.log.error_frames,
        "problems": len(found.log.problems),
        "duration_s": found.log.duration_s,
        "code": str(first.code),
        "strength": None if first.strength is None else str(first.strength),
        "role": str(first.role),
        "explains": known(first.explains),
        "headline": first.headline,
        "blames": first.blames,
        "other_codes": _codes(found.conclusions[1:], ConclusionRole.ANSWER),
        "also_seen": _codes(found.conclusions, ConclusionRole.ALSO_SEEN),
        "blamed": _blamed(found.conclusions),
        "fit_known": known(found.log.fit.cyclic_known) if found.log.fit else None,
        "fit_reason": found.log.fit.reason if found.log.fit else "",
        "slow_steering_s": known(covered.low_speed_steering_s),
        "cruise_s": known(covered.cruise_s),
        "engine_running_s": known(covered.engine_running_s),
        "hot_s": known(covered.hot_s),
        "derate_s": derate_seconds(found),
    } | {str(name): value for name, value in figures(found).items()}


def _codes(conclusions: Sequence[Conclusion], role: ConclusionRole) -> list[str]:
    return [str(item.code) for item in conclusions if item.role is role]


def _blamed(conclusions: Sequence[Conclusion]) -> list[str]:
    """Return every answer of blame at any rank: its code and its strength."""
    return [
        f"{item.code} {item.strength}"
        for item in conclusions
        if item.code not in BLAMELESS and item.strength is not None
    ]


def _stamp(moment: datetime | None) -> str | None:
    """Return a moment as the tables' reader takes it; their column says whether it is UTC."""
    return moment.replace(tzinfo=None).isoformat(timespec="milliseconds") if moment else None


def _event_row(number: int, event: Event) -> Row:
    return {
        "number": number,
        "kind": str(event.kind),
        "cause": event.cause,
        "severity": str(event.severity),
        "channel": event.channel,
        "code": event.code,
        "start_s": event.start_s,
        "end_s": event.end_s,
        "measured": json.dumps(
            {
                name: value if isinstance(value, str) else known(float(value))
                for name, value in event.measured.items()
            },
            ensure_ascii=False,
        ),
        "text": event.text,
    }


def report_logs(order: Order, logs: tuple[str, ...]) -> list[ScreenedOutcome]:
    """Write the full report of each log.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    became = []
    for log in logs:
        try:
            with at_hand(log, order.home) as path:
                sha256 = input_file(path, "log").sha256
                _report(order, path, report_path(Path(order.reports), log, sha256))
            became.append(ScreenedOutcome(log, sha256))
        except OutputError:
            raise
        except Exception as error:  # one log must not end the others
            became.append(ScreenedOutcome(log, reason=_words(error)))
    return became


def _report(order: Order, path: Path, page: Path) -> None:
    from canassist.report import render_page, result_json  # noqa: PLC0415 - few logs get a page

    found = analyze(path, dbc=order.dbc, profile=order.profile or None)
    write_whole({page: render_page(found).encode(), page.with_suffix(".json"): result_json(found)})
