"""How the page holds up: 20 uploads of 50 MB at once, and readers of the shelf meanwhile.

Run ``python tests/bench/page_load.py``. The server runs in a process of its own on loopback, the
readers in three more; uploads are sent by threads of this one. Printed are the shelf page's 50th
and 95th percentile with nothing else to do, while the uploads come in, and while the rides are
worked on; the largest memory of the server process; and whether every result is right. The
rides are one simulated ride, repeated, each with a few more frames of an unknown identifier.
"""

from __future__ import annotations

import argparse
import gzip
import http.client
import json
import multiprocessing as mp
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from canassist.demo import WrittenRide, write_demo

READERS = 3
IDLE_S = 8.0
PAUSE_S = 0.05
BOUNDARY = "load-0123456789"
PIECE = 1 << 20
LIMIT_MS = 300.0
LIMIT_TIMES = 10.0


def long_log(ride: WrittenRide, size: int) -> bytes:
    """Repeat a candump log, each time later, until it has the size."""
    lines = gzip.decompress(ride.log.read_bytes()).decode().splitlines()
    parted = [line.split(") ", 1) for line in lines]
    times = np.array([float(time_text[1:]) for time_text, _ in parted])
    length_s = times[-1] - times[0] + 0.01
    pieces: list[str] = []
    total, number = 0, 0
    while total < size:
        block = "".join(
            f"({at:.6f}) {rest}\n"
            for at, (_, rest) in zip(times + number * length_s, parted, strict=True)
        )
        pieces.append(block)
        total, number = total + len(block), number + 1
    return "".join(pieces)[: size - 1].rsplit("\n", 1)[0].encode() + b"\n"


def body_of(log: bytes, number: int, files: dict[str, Path]) -> list[bytes]:
    """Return an upload's parts; logs of different numbers are different files."""
    parts = []
    for role, path in files.items():
        parts += [_head(role, path.name), path.read_bytes(), b"\r\n"]
    last = log[log.rindex(b"(") : log.rindex(b")") + 1]
    tail = b"".join(last + f" can0 7F{n % 16:X}#{number:02X}\n".encode() for n in range(number + 1))
    return [*parts, _head("log", f"ride{number:02}.log"), log, tail, b"\r\n",
            f"--{BOUNDARY}--\r\n".encode()]  # fmt: skip


def _head(role: str, name: str) -> bytes:
    return (
        f'--{BOUNDARY}\r\ncontent-disposition: form-data; name="{role}"; filename="{name}"\r\n\r\n'
    ).encode()


def pieces_of(parts: list[bytes]) -> Iterator[bytes]:
    for part in parts:
        for start in range(0, len(part), PIECE):
            yield part[start : start + PIECE]


def send(port: int, parts: list[bytes], answers: list[str]) -> None:
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=600)
    headers = {
        "content-type": f"multipart/form-data; boundary={BOUNDARY}",
        "content-length": str(sum(map(len, parts))),
    }
    line.request("POST", "/api/reports?wait=0", body=pieces_of(parts), headers=headers)
    answers.append(json.loads(line.getresponse().read())["id"])
    line.close()


def read_shelf(port: int, end: Any, out: Any) -> None:  # noqa: ANN401 - events and queues of multiprocessing
    """Ask for the shelf again and again; put (when, how long) of each."""
    seen = []
    while not end.is_set():
        begun = time.monotonic()
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
        line.request("GET", "/", headers={"accept": "text/html"})
        answer = line.getresponse()
        assert answer.status == 200
        assert b"</html>" in answer.read()
        line.close()
        seen.append((begun, time.monotonic() - begun))
        time.sleep(PAUSE_S)
    out.put(seen)


def get(port: int, path: str) -> Any:  # noqa: ANN401 - plain JSON values
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
    line.request("GET", path)
    answer = json.loads(line.getresponse().read())
    line.close()
    return answer


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


def largest_mb(pid: int) -> float:
    text = Path(f"/proc/{pid}/status").read_text()
    found = re.search(r"VmHWM:\s+(\d+)", text)
    return int(found[1]) / 1024 if found else float("nan")


def told(name: str, seen: list[tuple[float, float]], start_s: float, end_s: float) -> float:
    took = np.array([took for when, took in seen if start_s <= when < end_s]) * 1000
    if not len(took):
        print(f"{name:28} no request")
        return float("nan")
    middle, high = np.percentile(took, [50, 95])
    print(f"{name:28} {len(took):5} requests   p50 {middle:7.1f} ms   p95 {high:7.1f} ms")
    return float(high)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--uploads", type=int, default=20)
    options.add_argument("--megabytes", type=int, default=50)
    asked = options.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ride = write_demo(folder, busy=True, only=("speed_lost",))[0]
        log = long_log(ride, asked.megabytes * 1_000_000)
        process, port = start(folder / "data")
        try:
            measure(process.pid, port, log, ride, asked.uploads)
        finally:
            process.terminate()
            process.wait(30)


def measure(pid: int, port: int, log: bytes, ride: WrittenRide, uploads: int) -> None:
    files = {"dbc": ride.dbc, "profile": ride.profile}
    time.sleep(1.0)
    spawn = mp.get_context("spawn")
    end, out = spawn.Event(), spawn.Queue()
    readers = [spawn.Process(target=read_shelf, args=(port, end, out)) for _ in range(READERS)]
    for reader in readers:
        reader.start()
    time.sleep(1.0)
    idle_s = time.monotonic()
    time.sleep(IDLE_S)
    answers: list[str] = []
    sent_s = time.monotonic()
    threads = [
        threading.Thread(target=send, args=(port, body_of(log, number, files), answers))
        for number in range(uploads)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    in_s = time.monotonic()
    while any(one["state"] in {"waiting", "working"} for one in listed(port)):
        time.sleep(0.5)
    done_s = time.monotonic()
    end.set()
    seen = [one for _ in readers for one in out.get()]
    for reader in readers:
        reader.join()
    print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    idle = told("shelf, idle", seen, idle_s, sent_s)
    told("shelf, uploads coming in", seen, sent_s, in_s)
    busy = told("shelf, rides in work", seen, in_s, done_s)
    print(f"uploads: {uploads} x {len(log) / 1e6:.0f} MB in {in_s - sent_s:.1f} s; all rides read "
          f"{done_s - sent_s:.1f} s after the first byte")  # fmt: skip
    print(f"largest memory of the server process: {largest_mb(pid):.0f} MB")
    check(port, log, uploads, answers)
    verdict = busy < LIMIT_MS or busy < LIMIT_TIMES * idle
    print(
        f"p95 below {LIMIT_MS:.0f} ms or {LIMIT_TIMES:.0f} times idle: {'yes' if verdict else 'NO'}"
    )


def listed(port: int) -> list[dict[str, str]]:
    rides: list[dict[str, str]] = get(port, "/api/reports")["rides"]
    return rides


def check(port: int, log: bytes, uploads: int, answers: list[str]) -> None:
    """Hold every result to the frames that were sent."""
    rides = listed(port)
    assert len(rides) == len(set(answers)) == uploads
    assert Counter(ride["state"] for ride in rides) == {"done": uploads}
    frames = log.count(b"\n")
    for ride in rides:
        result = get(port, f"/api/reports/{ride['id']}")
        number = int(ride["title"].removeprefix("ride"))
        assert result["log"]["frames"] == frames + number + 1, (ride, result["log"])
    heads = {ride["headline"] for ride in rides}
    print(f"all {uploads} results right: {frames} frames and more; {heads}")


if __name__ == "__main__":
    main()
