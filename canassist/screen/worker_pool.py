"""Workers behind the standard executor interface: processes here, or a running cluster."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from importlib import util
from multiprocessing.context import SpawnContext
from pathlib import Path
from typing import Any, Final, Protocol

from canassist.errors import InputError, MissingExtraError
from canassist.screen.messages import ScreenedOutcome, get_ready

Work = Callable[[tuple[str, ...]], list[ScreenedOutcome]]

_ONE_THREAD: Final = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
_MOST_HERE: Final = 61 if sys.platform == "win32" else 1024
"""Windows waits for no more processes than this (limit of the standard library)."""
_MOST_STILLBORN: Final = 2
_LEAVE_S: Final = 10.0
_CONNECT_S: Final = 20
"""A scheduler that answers later than this does not answer."""
_COUNT_S: Final = 2.0
"""A cluster's workers are counted no more often: each count is a way there and back."""
_RETRIES: Final = 2


class WorkerPool(Protocol):
    """Workers behind the standard executor interface."""

    deaths: tuple[type[BaseException], ...]
    """What a future raises when its worker died."""
    losses: tuple[type[BaseException], ...]
    """What a future raises when the pool as a whole is lost."""
    strikes: int
    """How often a log alone may meet a worker's death before it gets the blame."""
    ahead: int
    """Batches handed over per worker at a time: enough to keep it busy, few to stay flat."""

    @property
    def workers(self) -> int:
        """How many tasks run at a time."""

    def submit(self, work: Work, logs: tuple[str, ...]) -> Future[list[ScreenedOutcome]]:
        """Hand a batch over."""

    def renew(self) -> None:
        """Make the pool fit for work after a death."""

    def dismiss(self) -> None:
        """Let the workers go, for nothing more will be submitted; does not wait for it."""

    def close(self, *, now: bool = False) -> None:
        """End; with `now` without waiting for what is being done."""


def open_pool(cluster: str, workers: int = 0) -> WorkerPool:
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
    return ClusterPool(cluster) if cluster else LocalPool(workers or cores())


def cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class _Recording(SpawnContext):
    """Starts processes as ever, and remembers them."""

    def __init__(self) -> None:
        super().__init__()
        self.started: list[Any] = []  # Any: the library's own process type

    def Process(self, *words: Any, **named: Any) -> Any:  # type: ignore[override]  # noqa: ANN401, N802 - an attribute there; its signature
        """Start a process."""
        self.started.append(SpawnContext.Process(*words, **named))
        return self.started[-1]


class LocalPool:
    """Processes on this machine; they start at once and get ready by themselves."""

    deaths: tuple[type[BaseException], ...] = (BrokenExecutor,)
    losses: tuple[type[BaseException], ...] = ()
    strikes = 2
    ahead = 3

    def __init__(self, workers: int) -> None:
        self._workers = min(workers, _MOST_HERE)
        self._threads_before = {name: os.environ.get(name) for name in _ONE_THREAD}
        os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))  # a worker is one core's worth
        self._stillborn = 0
        self._make()

    def _make(self) -> None:
        self._context = _Recording()
        self._pool: Executor = ProcessPoolExecutor(
            self._workers, mp_context=self._context, initializer=_settle_in
        )
        with _ctrl_c_later():
            self._ready = [self._pool.submit(get_ready) for _ in range(self._workers)]

    @property
    def workers(self) -> int:
        """How many tasks run at a time."""
        return self._workers

    def submit(self, work: Work, logs: tuple[str, ...]) -> Future[list[ScreenedOutcome]]:
        """Hand a batch over."""
        with _ctrl_c_later():
            return self._pool.submit(work, logs)

    def renew(self) -> None:
        """Replace the pool: one death breaks it as a whole.

        Raises
        ------
        InputError
            If processes have ended twice before any of them was ready for work.
        """
        self._pool.shutdown(wait=True, cancel_futures=True)
        came_up = any(not item.cancelled() and not item.exception() for item in self._ready)
        self._stillborn = 0 if came_up else self._stillborn + 1
        if self._stillborn == _MOST_STILLBORN:
            problem = "The worker processes end before they begin to work."
            fix = 'Free memory; a script of your own needs `if __name__ == "__main__":`.'
            raise InputError(problem, fix)
        self._make()

    def dismiss(self) -> None:
        """Let the processes end beside what this one still has to do."""
        self._pool.shutdown(wait=False)

    def close(self, *, now: bool = False) -> None:
        """End the processes; with `now` in the middle of their work."""
        if now:
            for process in self._context.started:
                with suppress(ValueError, AttributeError):  # it never started, or is gone
                    process.terminate()
        self._pool.shutdown(wait=True, cancel_futures=True)
        for process in self._context.started:  # a pool that was dismissed has not waited
            with suppress(ValueError, AssertionError):
                process.join(_LEAVE_S)
        for name, value in self._threads_before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextmanager
def _ctrl_c_later() -> Iterator[None]:
    """Hold Ctrl-C back for a moment, so that a process that starts here never hears it.

    It reaches this process right after. Where a system has no such mask, a worker ignores
    Ctrl-C from `_settle_in` on.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _settle_in() -> None:
    """Leave Ctrl-C to the parent, and end when the parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


class ClusterPool:
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
        from distributed.comm.core import CommClosedError  # noqa: PLC0415 - the same
        from distributed.scheduler import KilledWorker  # noqa: PLC0415 - the same

        self._workers, self._counted_s = 0, -_COUNT_S
        self.deaths: tuple[type[BaseException], ...] = (KilledWorker,)
        self.losses: tuple[type[BaseException], ...] = (CancelledError, CommClosedError)
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
        if time.monotonic() - self._counted_s > _COUNT_S:
            try:
                self._workers = sum(self._client.nthreads().values())
            except (CancelledError, OSError):
                return self._workers  # the futures tell what happened
            self._counted_s = time.monotonic()
        return self._workers

    def submit(self, work: Work, logs: tuple[str, ...]) -> Future[list[ScreenedOutcome]]:
        """Hand a batch over."""
        future: Future[list[ScreenedOutcome]] = self._executor.submit(work, logs)
        return future

    def renew(self) -> None:
        """Do nothing: the cluster starts its own workers anew."""

    def dismiss(self) -> None:
        """Do nothing: the cluster's workers are not ours."""

    def close(self, *, now: bool = False) -> None:
        """Leave the cluster, taking back what has not begun."""
        with suppress(OSError):
            self._executor.shutdown(wait=not now)
            self._client.close()
