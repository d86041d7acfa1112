"""What a worker does: a few logs in, one small result file for each.

Everything here is a plain function of plain values, so that any executor can run it.
"""

from __future__ import annotations

import hashlib
import json
import math
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Final

from canassist.errors import CanassistError
from canassist.model import BLAMELESS, Code, Event, EventKind, Result, Severity, Strength
from canassist.model.screening import ScreenFigure
from canassist.output import write_whole
from canassist.pipeline import analyze, input_file
from canassist.report.masks import mask_vins
from canassist.screen.find import is_remote
from canassist.version import VERSION

SCHEMA: Final = "canassist-screen/1"
MIN_SLOW_STEERING_S: Final = 30.0
"""Seconds of derating per minute of slow steering say nothing on less of it (our choice)."""
_SECONDS: Final = 60.0

Json = dict[str, Any]  # Any: JSON values have any JSON type


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What is to be done with every log.

    Attributes
    ----------
    dbc : tuple of str
        Databases; a worker must reach them under these names.
    profile : str
        Profile, or empty.
    results : str
        Folder of the result files; shared by all workers.
    settings : str
        Hash of tool version, databases and profile.
    again : bool
        Do over what is done.
    reports : str
        Where full reports go; empty where only results are wanted.
    """

    dbc: tuple[str, ...]
    profile: str
    results: str
    settings: str
    again: bool = False
    reports: str = ""


@dataclass(frozen=True, slots=True)
class Done:
    """What became of one log; `sha256` is empty where it could not be read at all.

    ``kept`` says that a result file stands for it, and ``fresh`` that it was made now.
    """

    log: str
    sha256: str = ""
    kept: bool = False
    fresh: bool = False
    reason: str = ""


def settings_hash(dbc: tuple[str, ...], profile: str) -> str:
    """Return what stands for tool version, databases and profile in a result's name.

    Raises
    ------
    InputError
        If one of them cannot be read.
    """
    from canassist.decode import split_bus  # noqa: PLC0415 - heavy; only the client asks

    marks = [SCHEMA, VERSION]
    for name in dbc:
        bus, path = split_bus(Path(name))
        marks += [str(bus), input_file(path, "dbc").sha256]
    marks += [input_file(Path(profile), "profile").sha256] if profile else ["no profile"]
    return hashlib.sha256("\n".join(marks).encode()).hexdigest()[:16]


def result_path(results: str, sha256: str, settings: str) -> Path:
    """Return where a log's result lies: found by content, tool and settings alone."""
    return Path(results) / sha256[:2] / f"{sha256}.{settings}.json"


def screen_logs(order: Order, logs: tuple[str, ...]) -> list[Done]:
    """Work on some logs one after the other; never raises for what is wrong with a log."""
    return [_screen_log(order, log) for log in logs]


def _screen_log(order: Order, log: str) -> Done:
    try:
        with at_hand(log) as path:
            sha256 = input_file(path, "log").sha256
            target = result_path(order.results, sha256, order.settings)
            if target.is_file() and not order.again and not order.reports:
                return Done(log, sha256, kept=True)
            if order.reports:
                return _report(order, log, path, sha256)
            content = _result(order, path)
            target.parent.mkdir(parents=True, exist_ok=True)
            write_whole(
                {target: json.dumps(content, ensure_ascii=False).encode("utf-8", "replace")}
            )
            return Done(log, sha256, kept=True, fresh=True)
    except CanassistError as error:
        return Done(log, reason=str(error))
    except Exception as error:  # one log must not end the others
        return Done(log, reason=f"canassist itself failed: {type(error).__name__}: {error}")


@contextmanager
def at_hand(log: str) -> Iterator[Path]:
    """Give a log as a file on this machine; one in a store is fetched for as long as needed."""
    if not is_remote(log):
        yield Path(log)
        return
    import fsspec  # noqa: PLC0415 - an extra

    store, name = fsspec.core.url_to_fs(log)
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        path = Path(folder) / PurePosixPath(name).name
        store.get_file(name, str(path))
        yield path


def _result(order: Order, path: Path) -> Json:
    try:
        found = analyze(path, dbc=order.dbc, profile=order.profile or None)
    except CanassistError as error:
        return {"schema": SCHEMA, "status": "damaged", "reason": mask_vins(str(error))}
    return {
        "schema": SCHEMA,
        "status": "read",
        "reason": "",
        "log": _log_row(found),
        "events": [_event_row(number, item) for number, item in enumerate(found.events, 1)],
    }


def _log_row(found: Result) -> Json:
    first, covered = found.conclusions[0], found.coverage
    start = found.log.start_utc
    blames = first.code not in BLAMELESS and first.strength is not Strength.WEAK
    return {
        "format": found.log.format,
        "start_utc": start.isoformat() if start else None,
        "frames": found.log.frames,
        "error_frames": found.log.error_frames,
        "problems": len(found.log.problems),
        "duration_s": found.log.duration_s,
        "code": str(first.code),
        "strength": "" if first.code is Code.INCONCLUSIVE else str(first.strength),
        "headline": first.headline,
        "blames": blames,
        "other_codes": [str(item.code) for item in found.conclusions[1:]],
        "slow_steering_s": _known(covered.low_speed_steering_s),
        "cruise_s": _known(covered.cruise_s),
        "engine_running_s": _known(covered.engine_running_s),
        "hot_s": _known(covered.hot_s),
        "derate_s": derate_seconds(found),
    } | {str(name): value for name, value in figures(found).items()}


def figures(found: Result) -> dict[ScreenFigure, float | None]:
    """Return the figures by which vehicles are compared; None where a ride has none."""
    physics = found.physics
    path, charging, rest = physics.supply_path, physics.charging, physics.torque_rest
    return {
        ScreenFigure.PATH_OHM: _known(path.path_ohm.value) if path else None,
        ScreenFigure.CHARGING_V: _known(charging.voltage_v.value) if charging else None,
        ScreenFigure.OFFSET_NM: _known(rest.offset_nm.value) if rest else None,
        ScreenFigure.DERATE_S_PER_SLOW_MIN: _per_slow_minute(found),
        ScreenFigure.ONSET_C: _onset(found),
    }


def _derates(found: Result) -> Iterator[Event]:
    """Give the derates that a rider feels: not those before the engine runs."""
    for event in found.events:
        if event.kind is EventKind.DERATE and event.severity is not Severity.NOTE:
            yield event


def derate_seconds(found: Result) -> float:
    """Return how long assist was reduced in all; at most as long as the log."""
    end_s = found.log.duration_s
    return sum((event.until(end_s) - event.start_s for event in _derates(found)), 0.0)


def _per_slow_minute(found: Result) -> float | None:
    slow_s = _known(found.coverage.low_speed_steering_s)
    if slow_s is None or slow_s < MIN_SLOW_STEERING_S:
        return None
    return derate_seconds(found) / (slow_s / _SECONDS)


def _onset(found: Result) -> float | None:
    """Return the lowest module temperature at which assist began to fall for heat alone."""
    at = [
        event.channels_then.get("module_temperature", math.nan)
        for event in _derates(found)
        if event.cause == "temperature"
    ]
    return min((value for value in at if math.isfinite(value)), default=None)


def _known(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def _event_row(number: int, event: Event) -> Json:
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
                name: value if isinstance(value, str) else _known(float(value))
                for name, value in event.measured.items()
            },
            ensure_ascii=False,
        ),
        "text": event.text,
    }


def report_name(log: str, sha256: str) -> str:
    """Return the name of a log's report: its own, masked, and the start of its hash."""
    name = mask_vins(PurePosixPath(log.replace("\\", "/")).name)
    plain = "".join(char if char.isalnum() or char in "._-" else "_" for char in name)
    return f"{plain[:80]}.{sha256[:12]}.html"


def _report(order: Order, log: str, path: Path, sha256: str) -> Done:
    from canassist.report import render_page, result_json  # noqa: PLC0415 - few logs get a page

    page = Path(order.reports) / report_name(log, sha256)
    found = analyze(path, dbc=order.dbc, profile=order.profile or None)
    write_whole({page: render_page(found).encode(), page.with_suffix(".json"): result_json(found)})
    return Done(log, sha256, kept=True, fresh=True)
