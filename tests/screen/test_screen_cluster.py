"""A real cluster on loopback: same tables as here, and nothing lost when processes die."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from canassist.errors import InputError
from canassist.screen import Screened, ScreeningOptions, screen

if TYPE_CHECKING:
    from tests.screen.fleets import Fleet

pytestmark = pytest.mark.skipif(os.name != "posix", reason="kills processes as POSIX does")
PATIENCE_S = 120.0
QUIET = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "2"}


def wait_until(ready: object, what: str) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not ready():  # type: ignore[operator]  # a callable
        if time.monotonic() > end_s:
            pytest.fail(f"waited in vain for {what}")
        time.sleep(0.05)


@contextmanager
def started_cluster(folder: Path, workers: int) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """Start a scheduler and its workers; give address and process of the scheduler."""
    file = folder / "scheduler.json"
    here = ["--host", "127.0.0.1", "--scheduler-file", str(file), "--no-dashboard"]
    scheduler = ["-m", "distributed.cli.dask_scheduler", "--port", "0", *here]
    worker = ["-m", "distributed.cli.dask_worker", "--nthreads", "1", "--memory-limit", "0"]
    worker += [*here, "--local-directory", str(folder)]
    started: list[subprocess.Popen[bytes]] = []
    with (folder / "cluster.log").open("wb") as log:
        for words in (scheduler, *[worker] * workers):
            line = [sys.executable, *words]
            started.append(subprocess.Popen(line, stdout=log, stderr=log, env=os.environ | QUIET))
        try:
            wait_until(file.is_file, "the scheduler")
            yield json.loads(file.read_text("utf-8"))["address"], started[0]
        finally:
            for process in reversed(started):  # nothing of theirs is needed any more
                process.kill()
                process.wait(30)


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Start a scheduler and two workers; give the scheduler's address."""
    pytest.importorskip("distributed", reason="the cluster extra is not installed")
    with started_cluster(tmp_path_factory.mktemp("cluster"), 2) as (address, _):
        yield address


def worker_pids(address: str, at_least: int = 2) -> list[int]:
    from distributed import Client  # noqa: PLC0415 - an extra

    with Client(address, timeout=30) as client:  # type: ignore[no-untyped-call]  # the library is not typed
        client.wait_for_workers(at_least, timeout=PATIENCE_S)
        return list(client.run(os.getpid).values())


def run(fleet: Fleet, out: Path, cluster: str = "") -> Screened:
    options = ScreeningOptions(cluster=cluster)
    return screen([str(fleet.logs)], out, dbc=[fleet.dbc], profile=fleet.profile, options=options)


def tables(out: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    logs = pd.read_parquet(out / "logs").sort_values(["sha256", "log"], ignore_index=True)
    events = pd.read_parquet(out / "events").sort_values(["sha256", "number"], ignore_index=True)
    return logs, events


def assert_same(one: Path, other: Path) -> None:
    for here, there in zip(tables(one), tables(other), strict=True):
        pd.testing.assert_frame_equal(here, there)


@pytest.fixture(scope="module")
def here(fleet_of_eight: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the screening of this machine alone."""
    out = tmp_path_factory.mktemp("here")
    run(fleet_of_eight, out)
    return out


def results(out: Path) -> list[Path]:
    return list((out / "work").glob("*/??/[!.]*.gz"))


def test_a_cluster_gives_the_same_tables(
    fleet_of_eight: Fleet, here: Path, cluster: str, tmp_path: Path
) -> None:
    worker_pids(cluster)
    assert run(fleet_of_eight, tmp_path, cluster).fresh == 9
    assert_same(here, tmp_path)


def test_names_told_from_the_clients_folder_are_found_by_workers_elsewhere(
    fleet_of_eight: Fleet,
    here: Path,
    cluster: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(fleet_of_eight.logs.parent)
    options = ScreeningOptions(cluster=cluster)
    known = {"dbc": ["vehicle.dbc"], "profile": "vehicle.toml"}
    assert screen(["rides"], tmp_path, options=options, **known).screening.read == 8  # type: ignore[arg-type]  # two kinds of value


def test_a_worker_killed_in_mid_run_costs_nothing(
    fleet_of_eight: Fleet, here: Path, cluster: str, tmp_path: Path
) -> None:
    pids = worker_pids(cluster)
    killed = []

    def kill() -> None:
        wait_until(lambda: results(tmp_path), "the first result")
        os.kill(pids[0], signal.SIGKILL)
        killed.append(len(results(tmp_path)))

    killer = threading.Thread(target=kill)
    killer.start()
    run(fleet_of_eight, tmp_path, cluster)
    killer.join()
    assert killed[0] < 9  # it was in mid-run
    assert_same(here, tmp_path)


@pytest.mark.parametrize("where", ["cluster", "here"])
def test_after_a_killed_client_only_the_rest_is_done(
    fleet_of_eight: Fleet, here: Path, cluster: str, tmp_path: Path, where: str
) -> None:
    worker_pids(cluster)
    line = [sys.executable, "-m", "canassist", "screen", str(fleet_of_eight.logs)]
    line += ["--dbc", fleet_of_eight.dbc, "--profile", fleet_of_eight.profile]
    line += ["-o", str(tmp_path), *(["--cluster", cluster] if where == "cluster" else [])]
    with subprocess.Popen(line, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as client:
        wait_until(lambda: results(tmp_path), "the first result")
        client.kill()
    done = len(results(tmp_path))
    assert 0 < done < 9
    again = run(fleet_of_eight, tmp_path, cluster if where == "cluster" else "")
    assert again.fresh <= 9 - done
    assert_same(here, tmp_path)


def test_no_scheduler_is_one_clear_message(
    fleet_of_eight: Fleet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("canassist.screen.worker_pool._CONNECT_S", 1)
    with pytest.raises(InputError, match="no scheduler answers"):
        run(fleet_of_eight, tmp_path, "tcp://127.0.0.1:9")


@pytest.mark.slow
def test_a_scheduler_that_dies_is_one_clear_message_and_costs_nothing_done(
    fleet_of_eight: Fleet, here: Path, tmp_path: Path
) -> None:
    (tmp_path / "cluster").mkdir()
    out = tmp_path / "out"
    with started_cluster(tmp_path / "cluster", 1) as (address, scheduler):
        worker_pids(address, 1)

        def kill() -> None:
            wait_until(lambda: results(out), "the first result")
            scheduler.kill()

        killer = threading.Thread(target=kill)
        killer.start()
        with pytest.raises(InputError, match="connection to the workers was lost"):
            run(fleet_of_eight, out, address)
        killer.join()
    done = len(results(out))
    assert 0 < done < 9
    assert run(fleet_of_eight, out).fresh <= 9 - done
    assert_same(here, out)
