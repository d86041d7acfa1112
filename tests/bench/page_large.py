"""How the page takes a very large log: memory of the server and of the worker, and time.

Run ``python tests/bench/page_large.py``; ``--megabytes 2000`` is the size that the page promises to
take on a machine with little memory. The log is one simulated ride, repeated with time stamps
that run on. It is written to a folder of its own (``--folder``), sent from the disk, and removed.
Printed are the largest memory of either process, resident and, for the worker, of addresses (which
its bound counts), and what became of the ride.
"""

from __future__ import annotations

import argparse
import gzip
import http.client
import json
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from canassist.demo import WrittenRide, write_demo

BOUNDARY = "large-0123456789"
PIECE = 1 << 20
LOOK_S = 0.05


def write_log(ride: WrittenRide, size: int, target: Path) -> int:
    """Write a candump log of about this size, repeating a ride; return its frames."""
    lines = gzip.decompress(ride.log.read_bytes()).decode().splitlines()
    parted = [line.split(") ", 1) for line in lines]
    times = np.array([float(text[1:]) for text, _ in parted])
    length_s = times[-1] - times[0] + 0.01
    repeats = 0
    with target.open("w", encoding="ascii") as out:
        while out.tell() < size:
            shift = repeats * length_s
            for at, (_, rest) in zip(times + shift, parted, strict=True):
                out.write(f"({at:.6f}) {rest}\n")
            repeats += 1
    return repeats * len(lines)


def parts_of(log: Path, ride: WrittenRide) -> list[bytes | Path]:
    """Return an upload's parts: bytes, and files to be read piece by piece."""
    parts: list[bytes | Path] = []
    for role, path in (("dbc", ride.dbc), ("profile", ride.profile), ("log", log)):
        head = f'--{BOUNDARY}\r\ncontent-disposition: form-data; name="{role}"; '
        parts += [f'{head}filename="{path.name}"\r\n\r\n'.encode(), path, b"\r\n"]
    return [*parts, f"--{BOUNDARY}--\r\n".encode()]


def pieces_of(parts: list[bytes | Path]) -> Iterator[bytes]:
    for part in parts:
        if isinstance(part, bytes):
            yield part
            continue
        with part.open("rb") as file:
            while data := file.read(PIECE):
                yield data


def send(port: int, parts: list[bytes | Path]) -> str:
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=600)
    size = sum(len(part) if isinstance(part, bytes) else part.stat().st_size for part in parts)
    headers = {
        "content-type": f"multipart/form-data; boundary={BOUNDARY}",
        "content-length": str(size),
    }
    line.request("POST", "/api/reports?wait=0", body=pieces_of(parts), headers=headers)
    answer = json.loads(line.getresponse().read())
    line.close()
    return str(answer["id"])


def get(port: int, path: str) -> Any:  # noqa: ANN401 - plain JSON values
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    line.request("GET", path)
    answer = json.loads(line.getresponse().read())
    line.close()
    return answer


class Watch:
    """Notes the largest memory of a server and of its workers while they live."""

    def __init__(self, server: int) -> None:
        self._server = server
        self._end = threading.Event()
        self.largest: dict[str, float] = {}
        self._thread = threading.Thread(target=self._look)
        self._thread.start()

    def stop(self) -> None:
        self._end.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._end.wait(LOOK_S):
            self._note("server resident", self._server, "VmHWM")
            for child in children(self._server):
                self._note("worker resident", child, "VmHWM")
                self._note("worker addresses", child, "VmPeak")

    def _note(self, name: str, pid: int, field: str) -> None:
        try:
            text = Path(f"/proc/{pid}/status").read_text()
        except OSError:
            return
        found = re.search(rf"{field}:\s+(\d+)", text)
        if found:
            self.largest[name] = max(self.largest.get(name, 0.0), int(found[1]) / 1024)


def children(pid: int) -> list[int]:
    found: list[int] = []
    for listed in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            found += [int(word) for word in listed.read_text().split()]
        except OSError:
            continue
    return found


def start(data: Path) -> tuple[subprocess.Popen[str], int]:
    process = subprocess.Popen(
        [sys.executable, "-m", "canassist", "serve", "--no-browser", "--port", "0", "--data",
         str(data)],
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stderr is not None
    found = re.search(r":(\d+)/", process.stderr.readline())
    assert found is not None
    threading.Thread(target=process.stderr.read, daemon=True).start()
    return process, int(found[1])


def measure(port: int, pid: int, log: Path, ride: WrittenRide, frames: int) -> None:
    watch = Watch(pid)
    try:
        begun_s = time.monotonic()
        name = send(port, parts_of(log, ride))
        sent_s = time.monotonic()
        answer = get(port, f"/api/reports/{name}")
        while answer.get("state") in {"waiting", "working"}:
            time.sleep(0.5)
            answer = get(port, f"/api/reports/{name}")
        done_s = time.monotonic()
    finally:
        watch.stop()
    print(f"sent in {sent_s - begun_s:.1f} s, read in {done_s - sent_s:.1f} s")
    for what, size_mb in sorted(watch.largest.items()):
        print(f"largest memory: {what:18} {size_mb:8.0f} MB")
    if answer.get("state") == "failed":
        print(f"failed with: {answer['problem']} {answer['fix']}")
        return
    assert answer["log"]["frames"] == frames, answer["log"]
    first = answer["conclusions"][0]
    print(f"done: {frames} frames, {answer['log']['duration_s']:.0f} s; {first['code']}")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--megabytes", type=int, default=200)
    options.add_argument("--folder", type=Path)
    asked = options.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        folder = Path(name)
        ride = write_demo(folder, busy=True, only=("speed_lost",))[0]
        log = folder / "large.log"
        frames = write_log(ride, asked.megabytes * 1_000_000, log)
        print(f"log: {log.stat().st_size / 1e6:.0f} MB, {frames} frames")
        process, port = start(folder / "data")
        try:
            measure(port, process.pid, log, ride, frames)
        finally:
            process.terminate()
            process.wait(60)


if __name__ == "__main__":
    main()
