"""Runs the command as a user does, within limits, and measures what it cost."""

from __future__ import annotations

import os
import resource
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


def run(arguments: Sequence[object], folder: Path, env: Mapping[str, str]) -> Outcome:
    """Run ``canassist`` in a folder."""
    command = [sys.executable, "-m", "canassist", *map(str, arguments)]
    with tempfile.TemporaryFile() as printed:
        process = subprocess.Popen(
            command,
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=printed,
            stderr=subprocess.STDOUT,
            env={**os.environ, "HOME": str(folder), **env},
            preexec_fn=_limited,  # noqa: PLW1509 - one thread, and nothing but two system calls
        )
        _, state, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(state)
        printed.seek(0)
        text = printed.read().decode(errors="replace")
    cpu_s = usage.ru_utime + usage.ru_stime
    return Outcome(process.returncode, cpu_s, usage.ru_maxrss << 10, text)


def _limited() -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (_HARD_SECONDS, _HARD_SECONDS))
    resource.setrlimit(resource.RLIMIT_AS, (_HARD_BYTES, _HARD_BYTES))
