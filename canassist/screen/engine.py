"""Runs batches of logs on any executor: a pool on this machine, or a running cluster.

Only functions travel to the workers; the scheduling is the executor's own. A worker
that dies loses nothing: its logs are done again one by one, and the log that kills
workers over and over is named and left out.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import suppress
from importlib import util
from pathlib import Path
from typing import Any, Final, Protocol

from canassist.errors import InputError, MissingExtraError
from canassist.screen.find import FoundLog
from canassist.screen.work import Done

Work = Callable[[tuple[str, ...]], list[Done]]

BATCH_BYTES: Final = 8_000_000
"""About a second of work (measured near 10 MB/s with analysis): far more than a task's own cost."""
BATCH_LOGS: Final = 200
BATCHES_A_WORKER: Final = 8
"""At least so many, so that the last ones end near together."""
_ONE_THREAD: Final = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
_CONNECT_S: Final = 20
"""A scheduler that answers later than this does not answer."""
_RETRIES: Final = 2


class Crew(Protocol):
    """Workers behind the standard executor interface."""

    deaths: tuple[type[BaseException], ...]
    """What a future raises when its worker died."""
    strikes: int
    """How often a log alone may meet a worker's death before it gets the blame."""
    ahead: int
    """Batches handed over per worker at a time: enough to keep it busy, few to stay flat."""

    @property
    def workers(self) -> int:
        """How many tasks run at a time."""

    def submit(self, work: Work, logs: tuple[str, ...]) -> Future[list[Done]]:
        """Hand a batch over."""

    def renew(self) -> None:
        """Make the crew fit for work after a death."""

    def close(self, *, now: bool = False) -> None:
        """End; with `now` without waiting for what is being done."""


def open_crew(cluster: str, workers: int = 0) -> Crew:
    """Return the cluster's workers, or as many processes here as there are cores.

    Parameters
    ----------
    cluster : str
        Address of a running scheduler, or its scheduler file; empty for this machine.
    workers : int
        Processes on this machine; 0 for one a core.

    Raises
    ------
    MissingExtraError, InputError
        If the cluster's library is missing or the scheduler does not answer.
    """
    return ClusterCrew(cluster) if cluster else LocalCrew(workers or _cores())


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class LocalCrew:
    """Processes on this machine."""

    deaths: tuple[type[BaseException], ...] = (BrokenExecutor,)
    strikes = 2
    ahead = 3

    def __init__(self, workers: int) -> None:
        self._workers = workers
        self._before = set(multiprocessing.active_children())
        self._threads_before = {name: os.environ.get(name) for name in _ONE_THREAD}
        os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))  # a worker is one core's worth
        self._pool = self._make()

    def _make(self) -> Executor:
        return ProcessPoolExecutor(
            self._workers,
            mp_context=multiprocessing.get_context("spawn"),
            initializer=_settle_in,
        )

    @property
    def workers(self) -> int:
        """How many tasks run at a time."""
        return self._workers

    def submit(self, work: Work, logs: tuple[str, ...]) -> Future[list[Done]]:
        """Hand a batch over."""
        return self._pool.submit(work, logs)

    def renew(self) -> None:
        """Replace the pool: one death breaks it as a whole."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._pool = self._make()

    def close(self, *, now: bool = False) -> None:
        """End the processes; with `now` in the middle of their work."""
        if now:
            for child in set(multiprocessing.active_children()) - self._before:
                child.terminate()
        self._pool.shutdown(wait=True, cancel_futures=True)
        for name, value in self._threads_before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _settle_in() -> None:
    """Leave Ctrl-C to the parent, and end when the parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


class ClusterCrew:
    """Workers of a running cluster, through its client's executor."""

    strikes = 1  # the scheduler itself has then tried several workers
    ahead = 16  # a task's way there and back takes longer than its handing over

    def __init__(self, address: str) -> None:
        if util.find_spec("distributed") is None:
            problem = "A cluster needs dask and distributed, which are not installed."
            raise MissingExtraError(
                problem, 'Install them with `pip install "canassist[cluster]"`.'
            )
        from distributed import Client  # noqa: PLC0415 - an extra, and slow to import
        from distributed.scheduler import KilledWorker  # noqa: PLC0415 - the same

        self.deaths: tuple[type[BaseException], ...] = (KilledWorker,)
        kind = "scheduler_file" if Path(address).is_file() else "address"
        try:
            join: Any = Client  # Any: the library is not typed
            self._client: Any = join(**{kind: address}, timeout=_CONNECT_S)  # Any: the same
        except (OSError, ValueError) as error:
            problem = f"{address}: no scheduler answers there."
            raise InputError(problem, "Check the address and that the cluster runs.") from error
        if not self.workers:
            self._client.close()
            problem = f"{address}: this cluster has no workers."
            raise InputError(problem, "Start workers first.")
        self._executor = self._client.get_executor(pure=False, retries=_RETRIES)

    @property
    def workers(self) -> int:
        """How many tasks run at a time; changes as workers come and go."""
        return sum(self._client.nthreads().values())

    def submit(self, work: Work, logs: tuple[str, ...]) -> Future[list[Done]]:
        """Hand a batch over."""
        future: Future[list[Done]] = self._executor.submit(work, logs)
        return future

    def renew(self) -> None:
        """Do nothing: the cluster starts its own workers anew."""

    def close(self, *, now: bool = False) -> None:
        """Leave the cluster, taking back what has not begun."""
        with suppress(OSError):
            self._executor.shutdown(wait=not now)
            self._client.close()


def batches(logs: Sequence[FoundLog], workers: int) -> list[tuple[str, ...]]:
    """Group logs so that each batch is worth a task: by bytes, the largest first.

    A log larger than a batch is a task alone.
    """
    whole = sum(item.size for item in logs)
    most = max(1, min(BATCH_BYTES, whole // (BATCHES_A_WORKER * workers)))
    most_logs = max(1, min(BATCH_LOGS, len(logs) // (BATCHES_A_WORKER * workers)))
    made: list[list[str]] = []
    room = 0
    for item in sorted(logs, key=lambda item: (-item.size, item.log)):
        if not made or room < item.size or len(made[-1]) >= most_logs:
            made.append([])
            room = most
        made[-1].append(item.log)
        room -= item.size
    return [tuple(batch) for batch in made]


def run(crew: Crew, work: Work, todo: Sequence[tuple[str, ...]]) -> Iterator[Done]:
    """Run all batches and give what became of each log, as it becomes known.

    Parameters
    ----------
    crew : Crew
        Who works.
    work : callable
        Takes addresses of logs, returns what became of each; must be repeatable.
    todo : sequence of tuples of str
        Batches.
    """
    waiting = deque(todo)
    flying: dict[Future[list[Done]], tuple[str, ...]] = {}
    suspects: list[str] = []
    while waiting or flying:
        died = not _top_up(crew, work, waiting, flying)
        finished, _ = wait(flying, return_when=FIRST_COMPLETED)
        for future in finished:
            batch = flying.pop(future)
            try:
                yield from future.result()
            except crew.deaths:
                suspects += batch
                died = True
        if died:
            crew.renew()
            yield from _one_by_one(crew, work, suspects)
            suspects.clear()


def _top_up(
    crew: Crew,
    work: Work,
    waiting: deque[tuple[str, ...]],
    flying: dict[Future[list[Done]], tuple[str, ...]],
) -> bool:
    """Hand over more batches; False where the crew has died meanwhile."""
    most = crew.ahead * max(1, crew.workers)
    while waiting and len(flying) < most:
        try:
            flying[crew.submit(work, waiting[0])] = waiting[0]
        except crew.deaths:
            return False
        waiting.popleft()
    return True


def _one_by_one(crew: Crew, work: Work, logs: Sequence[str]) -> Iterator[Done]:
    """Do logs alone, so that whichever kills a worker is known for it."""
    for log in logs:
        for _ in range(crew.strikes):
            try:
                yield from crew.submit(work, (log,)).result()
            except crew.deaths:
                crew.renew()
            else:
                break
        else:
            reason = "The worker died on this log each time: out of memory, or killed."
            yield Done(log, reason=reason)
