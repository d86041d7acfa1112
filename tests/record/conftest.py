"""A stand-in interface, plugged in for this process and for those started from it."""

from __future__ import annotations

import gzip
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import can.interfaces
import can.util
import pytest

PLUG_IN = Path(__file__).parent / "plug_in"


@dataclass
class StandIn:
    """The stand-in interface: what its channels do, and what was done with it."""

    folder: Path
    environment: dict[str, str] = field(default_factory=dict)

    def set(self, channel: str, **setting: float | bool) -> None:
        """Say what a channel does."""
        self.environment[f"STANDIN_{channel.upper()}"] = json.dumps(setting)
        os.environ.update(self.environment)

    @property
    def sent(self) -> bool:
        """Whether anybody called `send`."""
        return (self.folder / "sent").exists()

    def opened(self) -> list[dict[str, Any]]:
        """Return how its channels were opened."""
        path = self.folder / "opened"
        return [json.loads(line) for line in path.read_text("utf-8").splitlines()]

    def record(self, out: Path, *options: str, channels: str = "can0") -> subprocess.Popen[str]:
        """Start the command on its channels."""
        named = [part for name in channels.split() for part in ("--channel", name)]
        return subprocess.Popen(
            [
                *(sys.executable, "-m", "canassist", "record", "-o", str(out)),
                *("--interface", "standin", *named, *options),
            ],
            env={**os.environ, **self.environment},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )


@pytest.fixture
def stand_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[StandIn]:
    """Plug the stand-in interface in; no test may make it send."""
    paths = [str(PLUG_IN), *filter(None, [os.environ.get("PYTHONPATH")])]
    made = StandIn(
        tmp_path,
        {
            "PYTHONPATH": os.pathsep.join(paths),
            "STANDIN_SENT": str(tmp_path / "sent"),
            "STANDIN_OPENED": str(tmp_path / "opened"),
        },
    )
    for name, value in made.environment.items():
        monkeypatch.setenv(name, value)
    for name in ("CAN0", "CAN1"):
        monkeypatch.setenv(f"STANDIN_{name}", "{}")
    monkeypatch.syspath_prepend(str(PLUG_IN))
    monkeypatch.setattr(
        can.util, "VALID_INTERFACES", can.util.VALID_INTERFACES | {"standin"}, raising=True
    )
    monkeypatch.setitem(can.interfaces.BACKENDS, "standin", ("standin_can", "StandInBus"))
    sys.modules.pop("standin_can", None)
    yield made
    assert not made.sent, "a frame was sent on the bus"


@pytest.fixture
def frames_of() -> Callable[[Path], list[tuple[float, str, int, int]]]:
    """Return a plain reading of a recorded log: time, bus, identifier, data as a number."""

    def read(path: Path) -> list[tuple[float, str, int, int]]:
        found = []
        for line in gzip.decompress(path.read_bytes()).decode("ascii").splitlines():
            stamp, bus, frame = line.split()[:3]
            number, _, data = frame.partition("#")
            found.append((float(stamp[1:-1]), bus, int(number, 16), int(data or "0", 16)))
        return found

    return read


@pytest.fixture
def wait_until() -> Callable[[Callable[[], bool]], None]:
    """Return a function that waits until something holds, and fails where it never does."""

    def wait(holds: Callable[[], bool], patience_s: float = 20.0) -> None:
        ends = time.monotonic() + patience_s
        while not holds():
            assert time.monotonic() < ends, "it never came"
            time.sleep(0.02)

    return wait
