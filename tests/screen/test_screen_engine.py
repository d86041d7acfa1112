"""Batches, and what happens when workers die."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canassist.errors import InputError
from canassist.screen.find_logs import FoundLog
from canassist.screen.messages import ScreenedOutcome
from canassist.screen.run_batches import BATCH_BYTES, BATCH_LOGS, SHARES, batches, run
from canassist.screen.worker_pool import LocalPool

SIZES = st.lists(st.integers(0, 3 * BATCH_BYTES), max_size=60)


@given(sizes=SIZES, workers=st.integers(1, 16))
def test_every_log_is_in_one_batch_and_no_batch_is_too_large(
    sizes: list[int], workers: int
) -> None:
    sizes = sorted(sizes, reverse=True)
    logs = [FoundLog(f"{n}.log", size) for n, size in enumerate(sizes)]
    made = list(batches(logs, count=len(sizes), size=sum(sizes), workers=workers))
    assert sorted(name for batch in made for name in batch) == sorted(item.log for item in logs)
    by_name = {item.log: item.size for item in logs}
    for batch in made:
        assert len(batch) == 1 or sum(by_name[name] for name in batch) <= BATCH_BYTES


def test_batches_become_smaller_so_that_all_workers_end_together() -> None:
    logs = [FoundLog(f"{n}.log", 1000) for n in range(10_000)]
    sizes = [len(batch) for batch in batches(logs, count=10_000, size=10_000_000, workers=4)]
    assert sizes[0] == BATCH_LOGS
    assert sizes == sorted(sizes, reverse=True)
    assert sizes[-1] == 1
    left = 10_000
    for size in sizes:
        assert size == 1 or size <= left / (SHARES * 4)
        left -= size


def test_logs_of_terabytes_make_no_more_tasks_than_a_scheduler_carries() -> None:
    logs = (FoundLog(f"{n}.log", 8_000_000) for n in range(200_000))
    made = batches(logs, count=200_000, size=200_000 * 8_000_000, workers=100)
    assert sum(1 for _ in made) < 60_000


@pytest.fixture
def pool() -> Iterator[LocalPool]:
    made = LocalPool(2)
    yield made
    made.close()


def deadly(folder: str, logs: tuple[str, ...]) -> list[ScreenedOutcome]:
    """Do each log; "always" kills its worker every time, "once" only the first time."""
    for log in logs:
        mark = Path(folder) / log
        if log == "always" or (log == "once" and not mark.exists()):
            mark.touch()
            os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
    return [ScreenedOutcome(log, "00", "part") for log in logs]


def test_a_killed_worker_loses_nothing(pool: LocalPool, tmp_path: Path) -> None:
    todo = [("a", "once", "b"), ("c",), ("d", "e"), ("f",)]
    done = list(run(pool, partial(deadly, str(tmp_path)), todo))
    assert sorted(item.log for item in done) == ["a", "b", "c", "d", "e", "f", "once"]
    assert not any(item.reason for item in done)


def test_the_log_that_kills_every_worker_gets_the_blame(pool: LocalPool, tmp_path: Path) -> None:
    done = list(run(pool, partial(deadly, str(tmp_path)), [("a", "always"), ("b",), ("c",)]))
    blamed = [item.log for item in done if item.reason]
    assert blamed == ["always"]
    assert sorted(item.log for item in done) == ["a", "always", "b", "c"]


def end_at_once() -> None:
    """Stand for a worker that never comes up."""
    os._exit(1)


def test_workers_that_never_come_up_are_one_clear_message(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("canassist.screen.worker_pool._settle_in", end_at_once)
    pool = LocalPool(2)
    try:
        with pytest.raises(InputError, match="end before they begin"):
            list(run(pool, partial(deadly, ""), [("a",), ("b",)]))
    finally:
        pool.close()
