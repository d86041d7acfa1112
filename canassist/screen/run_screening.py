"""The whole way of a screening: find, work, put together, write."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from canassist.atomic_write import write_whole
from canassist.errors import InputError, OutputError, UsageError
from canassist.model import Step, silent
from canassist.screen import messages
from canassist.screen.find_logs import find_logs
from canassist.screen.ledger import Ledger
from canassist.screen.messages import Order, ScreenedOutcome
from canassist.screen.parquet_tables import json_reader, require_parquet
from canassist.screen.result_files import write_index
from canassist.screen.run_batches import batches, run
from canassist.screen.vehicle_names import FindVehicle, vehicle_finder
from canassist.screen.worker_pool import Work, WorkerPool, cores, open_pool
from canassist.version import VERSION

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

    from canassist.model import InputFile, Progress, ScreenedLog, ScreenedVehicle, Screening
    from canassist.screen.settings import ScreenSettings

_WORK: Final = "work"
_REPORTS: Final = "reports"
_PAGE: Final = "overview.html"

WorkOn = Callable[[Order, tuple[str, ...]], list[ScreenedOutcome]]


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
    done_otherwise : int
        Of these, logs that had been read by other rules: an earlier canassist, another
        database or profile. Their results are kept and mixed into no table.
    unreported : tuple of ScreenedOutcome
        Logs whose full report was asked for and could not be written, with the reason.
    """

    screening: Screening
    page: Path
    fresh: int
    done_otherwise: int = 0
    unreported: tuple[ScreenedOutcome, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningOptions:
    """How a screening is done.

    Attributes
    ----------
    vehicles : path or None
        CSV that tells each log's vehicle.
    pattern : str
        Or the pattern of a path that does.
    reports : int
        Of how many logs, worst first, the full report is written.
    report_of : tuple of str
        Vehicles of whose logs, as far as the overview lists them, the full report is written.
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
    report_of: tuple[str, ...] = ()
    again: bool = False
    cluster: str = ""
    workers: int = 0


def screen(  # noqa: PLR0913 - inputs, place, options: each is one thing
    places: Sequence[str],
    out: Path,
    *,
    dbc: Sequence[str] = (),
    profile: str = "",
    options: ScreeningOptions | None = None,
    progress: Progress = silent,
    work_on: WorkOn = messages.screen_logs,
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
    work_on : callable, optional
        What a worker does with a batch; a stand-in for the analysis measures all else.

    Raises
    ------
    CanassistError
        If there is no log, none can be used, or something asked for cannot be done.
    """
    options = options or ScreeningOptions()
    require_parquet()
    find_vehicle = vehicle_finder(options.vehicles, options.pattern)
    leave_out = [out, *([options.vehicles] if options.vehicles else [])]
    with (
        _gone_if_refused(out),
        Ledger(_made(out.absolute() / _WORK)) as ledger,
        _LazyPool(options) as lazy_pool,
    ):
        count = ledger.gather(find_logs(places, leave_out=leave_out))
        if not count:
            problem = f"No log was found in {', '.join(places)}."
            raise InputError(problem, "Check the folder; logs are known by their ending.")
        if ledger.strangers():
            lazy_pool.get(count)  # workers get ready while the databases are checked here
        settings = _checked(tuple(dbc), profile)
        order = Order(
            version=VERSION,
            home=str(Path.cwd()),
            dbc=settings.dbc,
            profile=settings.profile,
            inputs=settings.inputs,
            results=str(_made(out.absolute() / _WORK / settings.mark)),
        )
        job = _Job(
            order=order,
            settings=settings,
            ledger=ledger,
            lazy_pool=lazy_pool,
            options=options,
            progress=progress,
        )
        fresh = job.results(work_on)
        return job.write(out, find_vehicle, fresh)


def _checked(dbc: tuple[str, ...], profile: str) -> ScreenSettings:
    from canassist.screen.settings import check_settings  # noqa: PLC0415 - heavy

    return check_settings(dbc, profile)


@contextmanager
def _gone_if_refused(out: Path) -> Iterator[None]:
    """Take away a folder that was made for a screening of which nothing comes."""
    is_new = not out.exists()
    try:
        yield
    except InputError:
        if is_new:
            shutil.rmtree(out, ignore_errors=True)
        raise


def _made(folder: Path) -> Path:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        problem = f"{folder}: this folder cannot be made, or a file has its name."
        raise OutputError(problem, "Choose a folder that is yours, not a file's name.") from error
    return folder


class _LazyPool:
    """The worker pool: opened when there is work, closed at the end."""

    def __init__(self, options: ScreeningOptions) -> None:
        self._options = options
        self._pool: WorkerPool | None = None

    def get(self, logs: int) -> WorkerPool:
        """Return the pool; on this machine it has no more processes than there are logs."""
        if self._pool is None:
            workers = min(self._options.workers or cores(), logs)
            self._pool = open_pool(self._options.cluster, workers)
        return self._pool

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._pool is not None:
            self._pool.close(now=error is not None)


@dataclass(kw_only=True)
class _Job:
    order: Order
    settings: ScreenSettings
    ledger: Ledger
    lazy_pool: _LazyPool
    options: ScreeningOptions
    progress: Progress
    unreported: list[ScreenedOutcome] = field(default_factory=list)
    done_otherwise: int = 0

    @property
    def folder(self) -> Path:
        """Where the result files of these settings lie."""
        return Path(self.order.results)

    def results(self, work_on: WorkOn) -> int:
        """Do what is not done; return how many logs were worked on."""
        self.ledger.learn(self.settings.mark, self.folder)
        count, size = self.ledger.plan(again=self.options.again)
        if not count:
            return 0
        self.done_otherwise = self.ledger.done_otherwise()
        pool = self.lazy_pool.get(count)
        index = self.folder / f"done.{self.ledger.run}.index"
        done = "" if self.options.again else write_index(index, self.ledger.done_hashes())
        _prepare()
        work = partial(work_on, replace(self.order, done=done))
        todo = batches(self.ledger.todo(), count=count, size=size, workers=pool.workers)
        fresh = 0
        for item in self._run("screening", pool, work, todo, count):
            self.ledger.note(item)
            fresh += bool(item.part)
        if not self.options.reports and not self.options.report_of:
            pool.dismiss()
        self.ledger.drop_unused(self.folder)
        return fresh

    def _run(
        self, stage: str, pool: WorkerPool, work: Work, todo: Iterable[tuple[str, ...]], count: int
    ) -> Iterable[ScreenedOutcome]:
        self.progress(Step(stage, 0, count))
        for number, item in enumerate(run(pool, work, todo), 1):
            yield item
            self.progress(Step(stage, number, count))

    def write(self, out: Path, find_vehicle: FindVehicle, fresh: int) -> Screened:
        """Write tables, reports and overview."""
        from canassist.report import mask_vins, render_screening  # noqa: PLC0415 - see _prepare
        from canassist.screen.assembly import put_together  # noqa: PLC0415 - the same
        from canassist.screen.fleet_statistics import screening  # noqa: PLC0415 - the same
        from canassist.screen.rides_in_order import RidesInOrder  # noqa: PLC0415 - the same
        from canassist.screen.sound_vehicles import SOUND_LIST, sound_vehicles  # noqa: PLC0415 - the same

        with RidesInOrder() as rides:
            put_together(out, self.folder, self.ledger, find_vehicle, rides)
            whole = screening(rides, version=VERSION)
            sound = sound_vehicles(whole, rides)
        if not whole.read:
            first = whole.unread[0]
            problem = f"None of {whole.logs} logs could be used; the first, {first.log}: "
            fix = "Check that these are recordings of this vehicle's bus."
            raise InputError(problem + first.reason, fix)
        if wanted := _wanted(whole, self.options):
            whole = _linked(whole, self.reports(wanted, out))
        page = out / _PAGE
        options: dict[str, bool | float | str]
        options = {
            "pattern": self.options.pattern,
            "reports": self.options.reports,
            "report_of": mask_vins("\n".join(self.options.report_of)),
        }
        text = render_screening(whole, inputs=self._inputs(), options=options)
        write_whole({page: text.encode(), out / SOUND_LIST: sound.encode()})
        return Screened(
            screening=whole,
            page=page,
            fresh=fresh,
            done_otherwise=self.done_otherwise,
            unreported=tuple(self.unreported),
        )

    def _inputs(self) -> list[InputFile]:
        """Return what the logs were screened with."""
        from canassist.pipeline import input_file, inputs_at_hand  # noqa: PLC0415 - see _prepare

        profiles = [Path(self.settings.profile)] if self.settings.profile else []
        found = [*inputs_at_hand([], [Path(name) for name in self.settings.dbc], profiles)]
        if self.options.vehicles is not None:
            found.append(input_file(self.options.vehicles, "vehicles"))
        return found

    def reports(self, worst: Sequence[ScreenedLog], out: Path) -> dict[str, str]:
        """Write the full reports that are not there; return where each content's lies."""
        from canassist.screen.report_files import report_is_there, report_path  # noqa: PLC0415 - see _prepare

        folder = _made(out.absolute() / _REPORTS)
        links, todo = {}, []
        for item in worst:
            log = self.ledger.address(item.sha256)
            page = report_path(folder, log, item.sha256)
            links[item.sha256] = f"{_REPORTS}/{page.name}"
            inputs = self.settings.inputs | {item.sha256}
            if self.options.again or not report_is_there(page, inputs):
                todo.append((log,))
        if todo:
            work = partial(messages.report_logs, replace(self.order, reports=str(folder)))
            pool = self.lazy_pool.get(len(todo))
            done = self._run("writing reports", pool, work, todo, len(todo))
            self.unreported = [item for item in done if item.reason]
        missing = {item.log for item in self.unreported}
        return {
            sha256: link
            for sha256, link in links.items()
            if self.ledger.address(sha256) not in missing
        }


def _prepare() -> None:
    """Import what is needed at the end while the workers still get ready themselves."""
    from canassist import report  # noqa: F401, PLC0415 - imported to be there
    from canassist.screen import assembly, fleet_statistics  # noqa: F401, PLC0415 - the same

    json_reader()


def _wanted(whole: Screening, options: ScreeningOptions) -> list[ScreenedLog]:
    """Return the logs whose full report is asked for, each content once.

    Raises
    ------
    UsageError
        If a vehicle that is named is not on the overview.
    """
    from canassist.report import mask_vins  # noqa: PLC0415 - see _prepare

    by_name: dict[str, list[ScreenedLog]] = {}
    for vehicle in whole.vehicles:
        by_name.setdefault(mask_vins(vehicle.name), []).extend(vehicle.logs)
    for name in options.report_of:
        if mask_vins(name) not in by_name:
            problem = f"No vehicle on the overview is called {name}."
            raise UsageError(problem, "Give a vehicle's name as the overview shows it.")
    named = [item for name in options.report_of for item in by_name[mask_vins(name)]]
    chosen = [*named, *_worst(whole, options.reports)]
    return list({item.sha256: item for item in chosen}.values())


def _worst(whole: Screening, count: int) -> list[ScreenedLog]:
    """Return one log of each vehicle, worst first, then their second ones, and so on."""
    rounds: list[list[ScreenedLog]] = []
    for vehicle in whole.vehicles:
        for place, item in enumerate(vehicle.logs):
            if place == len(rounds):
                rounds.append([])
            rounds[place].append(item)
    return [item for turn in rounds for item in turn][:count]


def _linked(whole: Screening, links: dict[str, str]) -> Screening:
    """Return the same with the place of each report."""

    def linked(vehicle: ScreenedVehicle) -> ScreenedVehicle:
        logs = (replace(item, report=links.get(item.sha256, "")) for item in vehicle.logs)
        return replace(vehicle, logs=tuple(logs))

    return replace(whole, vehicles=tuple(map(linked, whole.vehicles)))
