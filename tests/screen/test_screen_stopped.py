"""Ctrl-C ends a screening at once, leaves nothing half-written, and the next run goes on."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from tests.screen.fleets import Fleet

PATIENCE_S = 60.0


def assert_group_ends(group: int) -> None:
    """Hold that no worker is left; a dead one may wait a moment to be buried."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return
        time.sleep(0.1)
    pytest.fail("workers are left")


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="sends Ctrl-C as a terminal of this kind does")
@pytest.mark.parametrize(
    ("awaited", "whole_ones"),
    [("ledger.sqlite", range(9)), ("*/??/[!.]*", range(1, 9))],
    ids=["while workers start", "after the first result"],
)
def test_ctrl_c_ends_with_130_and_the_next_run_goes_on(
    fleet_of_eight: Fleet, tmp_path: Path, awaited: str, whole_ones: range
) -> None:
    line = [sys.executable, "-m", "canassist", "screen", str(fleet_of_eight.logs)]
    line += ["--dbc", fleet_of_eight.dbc, "--profile", fleet_of_eight.profile, "-o", str(tmp_path)]
    with subprocess.Popen(
        line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as running:
        end_s = time.monotonic() + PATIENCE_S
        while not list((tmp_path / "work").glob(awaited)) and time.monotonic() < end_s:
            time.sleep(0.02)
        os.killpg(running.pid, signal.SIGINT)
        _, told = running.communicate(timeout=PATIENCE_S)
    assert running.returncode == 130
    assert told == "Interrupted; nothing was left half-written.\n"
    assert_group_ends(running.pid)
    assert not (tmp_path / "logs").exists()
    whole = list((tmp_path / "work").glob("*/??/[!.]*.gz"))
    assert len(whole) in whole_ones
    done = subprocess.run(line, check=True, capture_output=True, text=True)
    fresh = int(done.stdout.split("logs read (")[1].split(" now")[0])
    assert fresh <= 9 - len(whole)
