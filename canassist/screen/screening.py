"""The whole way of a screening: find, work, put together, write."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canassist.errors import InputError, OutputError
from canassist.model import Step, silent
from canassist.model.screening import ScreenedLog, ScreenFigure, Screening
from canassist.output import write_whole
from canassist.report.masks import mask_vins
from canassist.report.screen_page import render_screening
from canassist.screen.engine import batches, open_crew, run
from canassist.screen.find import FoundLog, Vehicle, find_logs, vehicle_finder
from canassist.screen.ledger import Ledger
from canassist.screen.statistics import screening
from canassist.screen.tables import (
    EVENT_COLUMNS,
    LOG_COLUMNS,
    TableWriter,
    moment,
    require_parquet,
)
from canassist.screen.work import (
    Done,
    Order,
    report_name,
    result_path,
    screen_logs,
    settings_hash,
)
from canassist.version import VERSION

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from canassist.model import Progress

_WORK: Final = "work"
_REPORTS: Final = "reports"
_PAGE: Final = "overview.html"
_UNKNOWN_MONTH: Final = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Screened:
    """What a screening gave.

    Attributes
    ----------
    screening : Screening
        The overview's content.
    page : path
        The overview.
    fresh : int
        Logs that were worked on now; the others had been done before.
    """

    screening: Screening
    page: Path
    fresh: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """How a screening is done.

    Attributes
    ----------
    vehicles : path or None
        CSV that tells each log's vehicle.
    pattern : str
        Or the pattern of a path that does.
    reports : int
        Of how many logs, worst first, the full report is written.
    again : bool
        Do over what is done.
    cluster : str
        Address or scheduler file of a running cluster; empty for this machine.
    workers : int
        Processes on this machine; 0 for one a core.
    """

    vehicles: Path | None = None
    pattern: str = ""
    reports: int = 0
    again: bool = False
    cluster: str = ""
    workers: int = 0


def screen(  # noqa: PLR0913 - inputs, place, wishes: each is one thing
    places: Sequence[str],
    out: Path,
    *,
    dbc: Sequence[str] = (),
    profile: str = "",
    wishes: Wishes | None = None,
    progress: Progress = silent,
) -> Screened:
    """Screen many logs and write tables, overview and reports.

    Parameters
    ----------
    places : sequence of str
        Folders, files, patterns, ``@LIST`` files or storage addresses.
    out : path
        Folder for ``logs``, ``events``, ``overview.html`` and ``reports``; what is done
        already lies in its ``work``.
    dbc : sequence of str
        Databases.
    profile : str
        Profile, or empty.
    progress : callable, optional
        Called with a `Step` as logs end; what it raises stops the work.

    Raises
    ------
    CanassistError
        If there is no log, none can be used, or something asked for cannot be done.
    """
    wishes = wishes or Wishes()
    require_parquet()
    find_vehicle = vehicle_finder(wishes.vehicles, wishes.pattern)
    leave_out = [out, *([wishes.vehicles] if wishes.vehicles else [])]
    found = find_logs(places, leave_out=leave_out)
    order = _order(out, tuple(dbc), profile, again=wishes.again)
    _check_settings(order)
    job = _Job(order=order, wishes=wishes, progress=progress)
    with Ledger(out / _WORK) as ledger:
        outcome, fresh = job.results(found, ledger)
    logs = _tables(out, order, [(item, outcome[item.log], find_vehicle(item)) for item in found])
    if not any(item.status == "read" for item in logs):
        first = logs[0]
        problem = f"None of {len(logs)} logs could be used; the first, {first.log}: {first.reason}"
        raise InputError(problem, "Check that these are recordings of this vehicle's bus.")
    whole = screening(logs, version=VERSION)
    if wishes.reports:
        written = job.reports(_worst(whole, wishes.reports), out / _REPORTS)
        whole = screening([_linked(item, written) for item in logs], version=VERSION)
    page = out / _PAGE
    write_whole({page: render_screening(whole).encode()})
    return Screened(screening=whole, page=page, fresh=fresh)


def _check_settings(order: Order) -> None:
    """Refuse databases and a profile that no log could be read with, before any is tried."""
    from canassist import decode  # noqa: PLC0415 - heavy
    from canassist.profile import default_profile, read_profile  # noqa: PLC0415 - the same

    profile = read_profile(Path(order.profile)) if order.profile else default_profile()
    decode.plan_reading(decode.load_databases([Path(name) for name in order.dbc]), profile)


def _order(out: Path, dbc: tuple[str, ...], profile: str, *, again: bool) -> Order:
    results = out.absolute() / _WORK
    try:
        results.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        problem = f"{out}: cannot be made ({error.strerror})."
        raise OutputError(problem, "Choose a folder that is yours, not a file's name.") from error
    return Order(
        dbc=dbc,
        profile=profile,
        results=str(results),
        settings=settings_hash(dbc, profile),
        again=again,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    order: Order
    wishes: Wishes
    progress: Progress

    def results(self, found: Sequence[FoundLog], ledger: Ledger) -> tuple[dict[str, Done], int]:
        """Return what became of each log, and how many were worked on now."""
        outcome: dict[str, Done] = {}
        todo = []
        for item in found:
            sha256 = ledger.sha256(item)
            if sha256 and not self.order.again and self._is_kept(sha256):
                outcome[item.log] = Done(item.log, sha256, kept=True)
            else:
                todo.append(item)
        by_log = {item.log: item for item in todo}

        def note(done: Done) -> None:
            outcome[done.log] = done
            if done.kept:
                ledger.note(by_log[done.log], done.sha256)

        self._run("screening", todo, partial(screen_logs, self.order), note)
        return outcome, sum(done.fresh for done in outcome.values())

    def _is_kept(self, sha256: str) -> bool:
        return result_path(self.order.results, sha256, self.order.settings).is_file()

    def reports(self, worst: Sequence[ScreenedLog], folder: Path) -> dict[str, str]:
        """Write the full report of these logs; return where each lies, beside the overview."""
        folder.mkdir(parents=True, exist_ok=True)
        order = replace(self.order, reports=str(folder.absolute()))
        logs = [FoundLog(item.log, 0, 0, item.log) for item in worst]
        written: dict[str, str] = {}

        def note(done: Done) -> None:
            if done.kept:
                written[done.log] = f"{_REPORTS}/{report_name(done.log, done.sha256)}"

        self._run("writing reports", logs, partial(screen_logs, order), note)
        return written

    def _run(
        self,
        stage: str,
        logs: Sequence[FoundLog],
        work: Callable[[tuple[str, ...]], list[Done]],
        note: Callable[[Done], None],
    ) -> None:
        if not logs:
            return
        crew = open_crew(self.wishes.cluster, min(self.wishes.workers, len(logs)))
        self.progress(Step(stage, 0, len(logs)))
        try:
            for number, done in enumerate(run(crew, work, batches(logs, crew.workers)), 1):
                note(done)
                self.progress(Step(stage, number, len(logs)))
        except BaseException:
            crew.close(now=True)
            raise
        crew.close()


def _worst(whole: Screening, count: int) -> list[ScreenedLog]:
    """Return one log of each flagged vehicle, worst first, then their others, then the rest."""
    rounds: list[list[ScreenedLog]] = []
    for vehicle in whole.vehicles:
        for place, item in enumerate(vehicle.logs):
            if place == len(rounds):
                rounds.append([])
            rounds[place].append(item)
    return [item for turn in rounds for item in turn][:count]


def _linked(item: ScreenedLog, written: Mapping[str, str]) -> ScreenedLog:
    return replace(item, report=written.get(item.log, ""))


def _tables(
    out: Path, order: Order, items: Sequence[tuple[FoundLog, Done, Vehicle | None]]
) -> list[ScreenedLog]:
    """Write the tables from the result files and return every log in short."""
    logs = TableWriter(out / "logs", LOG_COLUMNS, VERSION)
    events = TableWriter(out / "events", EVENT_COLUMNS, VERSION)
    short, seen = [], set()
    for found, done, vehicle in items:
        content = _content(order, done)
        row = _log_row(found, done, vehicle, content) | {"duplicate": done.sha256 in seen}
        if done.sha256:
            seen.add(done.sha256)
        start = row["start_utc"]
        month = f"{start:%Y-%m}" if start else _UNKNOWN_MONTH
        logs.add(month, row)
        same = {name: row[name] for name in ("log", "sha256", "vehicle")}
        for event in content.get("events", ()):
            events.add(month, event | same)
        short.append(_short(row, month))
    logs.close()
    events.close()
    return short


def _content(order: Order, done: Done) -> dict[str, Any]:  # Any: JSON values have any type
    if not done.kept:
        return {"status": "failed", "reason": mask_vins(done.reason)}
    path = result_path(order.results, done.sha256, order.settings)
    content: dict[str, Any] = json.loads(path.read_bytes())
    return content


def _log_row(
    found: FoundLog, done: Done, vehicle: Vehicle | None, content: Mapping[str, Any]
) -> dict[str, Any]:  # Any: one row's values have different types
    inner = dict(content.get("log", {}))
    inner["start_utc"] = moment(inner.get("start_utc"))
    return inner | {
        "log": found.log,
        "sha256": done.sha256,
        "bytes": found.size,
        "vehicle": vehicle.name if vehicle else "",
        "batch": vehicle.batch if vehicle else "",
        "model_year": vehicle.model_year if vehicle else "",
        "status": content["status"],
        "reason": content["reason"],
    }


def _short(row: Mapping[str, Any], month: str) -> ScreenedLog:
    values = {figure: row.get(str(figure)) for figure in ScreenFigure}
    return ScreenedLog(
        log=row["log"],
        sha256=row["sha256"],
        vehicle=row["vehicle"],
        batch=row["batch"],
        model_year=row["model_year"],
        month=month,
        status=row["status"],
        reason=row["reason"],
        code=row.get("code", ""),
        strength=row.get("strength", ""),
        headline=row.get("headline", ""),
        blames=row.get("blames", False),
        duration_s=row.get("duration_s", 0.0),
        engine_running_s=row.get("engine_running_s"),
        figures={figure: value for figure, value in values.items() if value is not None},
        duplicate=row["duplicate"],
    )
