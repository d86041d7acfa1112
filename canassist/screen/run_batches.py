"""Runs batches of logs on a worker pool: batches sized by bytes, deaths survived, blame found.

The scheduling is the executor's own. A worker that dies loses nothing: its logs are done
again, first each as a task of its own, then those that met a second death one by one; the
log that kills workers over and over is named and left out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from typing import Final

from canassist.errors import InputError
from canassist.screen.find_logs import FoundLog
from canassist.screen.messages import ScreenedOutcome
from canassist.screen.worker_pool import Work, WorkerPool

BATCH_BYTES: Final = 8_000_000
"""About a second of work (measured near 10 MB/s with analysis): far more than a task's own cost."""
MOST_BATCH_BYTES: Final = 32 * BATCH_BYTES
"""What a worker's death costs at most; only fleets of terabytes come near it."""
FEW_BATCHES: Final = 50_000
"""Beyond so many, batches grow instead: a scheduler and a file system carry this number."""
BATCH_LOGS: Final = 200
SHARES: Final = 4
"""A batch is at most this part of what is left for each worker, so that all end together."""


def batches(
    logs: Iterable[FoundLog], *, count: int, size: int, workers: int
) -> Iterator[tuple[str, ...]]:
    """Group logs so that each batch is worth a task: by bytes, smaller towards the end.

    A log larger than a batch is a task alone.

    Parameters
    ----------
    logs : iterable of FoundLog
        The largest first.
    count, size : int
        How many they are, and their bytes.
    workers : int
        Among how many they are shared.
    """
    shares = SHARES * max(1, workers)
    limit = min(max(BATCH_BYTES, size // FEW_BATCHES), MOST_BATCH_BYTES)
    batch: list[str] = []
    held = 0
    for item in logs:
        most = min(limit, size // shares)
        most_logs = min(BATCH_LOGS, count // shares)
        if batch and (held + item.size > most or len(batch) >= most_logs):
            yield tuple(batch)
            count, size = count - len(batch), size - held
            batch, held = [], 0
        batch.append(item.log)
        held += item.size
    if batch:
        yield tuple(batch)


def run(pool: WorkerPool, work: Work, todo: Iterable[tuple[str, ...]]) -> Iterator[ScreenedOutcome]:
    """Run all batches and give what became of each log, as it becomes known.

    Parameters
    ----------
    pool : WorkerPool
        Who works.
    work : callable
        Takes addresses of logs, returns what became of each; must be repeatable.
    todo : iterable of tuples of str
        Batches; taken as they are needed.

    Raises
    ------
    InputError
        If the pool itself is lost.
    """
    line = _Line(todo)
    flying: dict[Future[list[ScreenedOutcome]], tuple[str, ...]] = {}
    while True:
        died = not _top_up(pool, work, line, flying)
        if not flying and not died:
            return
        finished = wait(flying, return_when=FIRST_COMPLETED).done
        results, lost = _land(pool, flying, finished)
        yield from results
        if lost or died:
            pool.renew()  # of a broken pool, all futures have landed now
            results, more = _land(pool, flying, [item for item in flying if item.done()])
            yield from results
            lost += more
            line.again((log,) for batch in lost if len(batch) > 1 for log in batch)
            yield from _one_by_one(pool, work, [batch[0] for batch in lost if len(batch) == 1])


def _land(
    pool: WorkerPool,
    flying: dict[Future[list[ScreenedOutcome]], tuple[str, ...]],
    finished: Iterable[Future[list[ScreenedOutcome]]],
) -> tuple[list[ScreenedOutcome], list[tuple[str, ...]]]:
    """Return the results of what has ended, and the batches whose worker died."""
    results: list[ScreenedOutcome] = []
    lost = []
    for future in finished:
        batch = flying.pop(future)
        landed = _landed(pool, future)
        if landed is None:
            lost.append(batch)
        else:
            results += landed
    return results, lost


class _Line:
    """Batches that wait; those handed back come first."""

    def __init__(self, todo: Iterable[tuple[str, ...]]) -> None:
        self._todo = iter(todo)
        self._back: deque[tuple[str, ...]] = deque()

    def again(self, more: Iterable[tuple[str, ...]]) -> None:
        """Take batches back."""
        self._back.extend(more)

    def first(self) -> tuple[str, ...]:
        """Return the next batch without taking it; empty where none is left."""
        if not self._back:
            self._back.extend(batch for batch in [next(self._todo, ())] if batch)
        return self._back[0] if self._back else ()

    def take(self) -> None:
        """Take the next batch."""
        self._back.popleft()


def _landed(
    pool: WorkerPool, future: Future[list[ScreenedOutcome]]
) -> list[ScreenedOutcome] | None:
    """Return a batch's results; None where its worker died."""
    try:
        return future.result()
    except pool.deaths:
        return None
    except pool.losses as error:
        problem = "The connection to the workers was lost."
        fix = "Check the cluster and run this again: what is done stays done."
        raise InputError(problem, fix) from error


def _top_up(
    pool: WorkerPool,
    work: Work,
    line: _Line,
    flying: dict[Future[list[ScreenedOutcome]], tuple[str, ...]],
) -> bool:
    """Hand over more batches; False where the pool has died meanwhile."""
    most = pool.ahead * max(1, pool.workers)
    while len(flying) < most and (batch := line.first()):
        try:
            flying[pool.submit(work, batch)] = batch
        except pool.deaths:
            return False
        line.take()
    return True


def _one_by_one(pool: WorkerPool, work: Work, logs: Iterable[str]) -> Iterator[ScreenedOutcome]:
    """Do logs alone, so that whichever kills a worker is known for it."""
    for log in logs:
        for _ in range(pool.strikes):
            results = _alone(pool, work, log)
            if results is not None:
                yield from results
                break
            pool.renew()
        else:
            reason = "The worker died on this log each time: out of memory, or killed."
            yield ScreenedOutcome(log, reason=reason)


def _alone(pool: WorkerPool, work: Work, log: str) -> list[ScreenedOutcome] | None:
    try:
        return _landed(pool, pool.submit(work, (log,)))
    except pool.deaths:
        return None
