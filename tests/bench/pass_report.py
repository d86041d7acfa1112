"""What one pass of a benchmark tells the script that started it."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray


class Clock:
    """Wall and processor time from its making on."""

    def __init__(self) -> None:
        self._wall = time.perf_counter()
        self._cpu = time.process_time()

    def stop(self) -> dict[str, float]:
        """Return both times, in seconds."""
        return {
            "wall": time.perf_counter() - self._wall,
            "cpu": time.process_time() - self._cpu,
        }


class Given(NamedTuple):
    """What a pass is asked to do: ``LOG DATABASE [WAY] [VALUES]``."""

    log: Path
    database: Path
    way: str
    values: Path | None


def given() -> Given:
    """Return the arguments of this process."""
    log, database, way, *rest = sys.argv[1:]
    return Given(Path(log), Path(database), way, Path(rest[0]) if rest else None)


def peak_mb() -> float:
    """Return the most memory this process ever had, in MB; NaN where nobody tells."""
    status = Path("/proc/self/status")
    if not status.exists():
        return float("nan")
    lines = status.read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


def tell(times: dict[str, float], values: Mapping[str, NDArray[np.float64]]) -> None:
    """Print the figures as JSON, and keep the values where that was asked for."""
    print(json.dumps(times | {"peak": peak_mb()}))
    path = given().values
    if path is not None:
        np.savez(path, **values)
