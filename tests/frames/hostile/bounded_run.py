"""Runs the command as a user does, within limits, and measures what it cost."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

MOST_SECONDS = 60.0
MOST_BYTES = 1 << 30
_HARD_SECONDS = 90
_HARD_BYTES = 6 << 30
"""Where the system itself stops a run that went far beyond what is allowed."""


class Outcome(NamedTuple):
    """How a run ended, its processor time (children's too) and its largest memory."""

    status: int
    cpu_s: float
    peak_bytes: int
    printed: str


_WATCH = """
import json, os, resource, subprocess, sys
seconds, most_bytes, report, *command = sys.argv[1:]
resource.setrlimit(resource.RLIMIT_CPU, (int(seconds), int(seconds)))
resource.setrlimit(resource.RLIMIT_AS, (int(most_bytes), int(most_bytes)))
child = subprocess.Popen(command)
_, state, usage = os.wait4(child.pid, 0)
child.returncode = os.waitstatus_to_exitcode(state)
told = [child.returncode, usage.ru_utime + usage.ru_stime, usage.ru_maxrss << 10]
os.write(int(report), json.dumps(told).encode())
"""
"""Starts the command from a small process: the system counts the memory of whoever started a
program as the program's, and a test process is large."""


def run(arguments: Sequence[object], folder: Path, env: Mapping[str, str]) -> Outcome:
    """Run ``canassist`` in a folder."""
    with tempfile.TemporaryFile() as printed, tempfile.TemporaryFile() as told:
        limits = (str(_HARD_SECONDS), str(_HARD_BYTES), str(told.fileno()))
        command = [sys.executable, "-m", "canassist", *map(str, arguments)]
        subprocess.run(
            [sys.executable, "-I", "-c", _WATCH, *limits, *command],
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=printed,
            stderr=subprocess.STDOUT,
            env={**os.environ, "HOME": str(folder), **env},
            pass_fds=[told.fileno()],
            check=False,
        )
        printed.seek(0)
        told.seek(0)
        text = printed.read().decode(errors="replace")
        status, cpu_s, peak_bytes = json.loads(told.read())
    return Outcome(status, cpu_s, peak_bytes, text)
