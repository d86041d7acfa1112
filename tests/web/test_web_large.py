"""A large log through the served page: what it costs in memory."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

SERVER_MB = 150
WORKER_MB = 600


@pytest.mark.slow
def test_large_log_takes_little_memory(project_root: Path, tmp_path: Path) -> None:
    if not Path("/proc/self/status").is_file():
        pytest.skip("this system does not tell a process's memory by a file")
    done = subprocess.run(
        [sys.executable, "tests/bench/page_large.py", "--megabytes", "300", "--folder",
         str(tmp_path)],
        cwd=project_root, capture_output=True, text=True, timeout=280, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    told = dict(re.findall(r"largest memory: (.+?) +(\d+) MB", done.stdout))
    assert int(told["server resident"]) < SERVER_MB
    assert int(told["worker resident"]) < WORKER_MB
    assert "done: " in done.stdout
