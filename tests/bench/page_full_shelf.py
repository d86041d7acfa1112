"""How the page bears a full shelf: 300 rides, one tab open, 50 rides waiting.

Run as ``python -m tests.bench.page_full_shelf [seconds]``. Prints how many requests the tab makes a
minute, how long the shelf takes (median and 95th percentile), and the server's memory; ends
with status 1 where one of them is out of bounds.
"""

from __future__ import annotations

import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

import httpx
from playwright.sync_api import Request, sync_playwright

from canassist.demo import write_demo
from canassist.web.store.content_files import Blobs
from canassist.web.store.open_index import open_index
from canassist.web.store.records import RULES, NewRide, Stored
from canassist.web.store.rides_index import RidesIndex
from canassist.web.store.vehicles_index import Vehicles

RIDES: Final = 300
WAITING: Final = 50
MOST_REQUESTS: Final = 240
"""A minute, of one tab while the queue is worked through: two changes a ride, one request each."""

MOST_SHELF_S: Final = 0.5
MOST_MEMORY_MB: Final = 250.0


def main() -> int:
    """Fill a shelf, watch a tab and ask for the shelf, and print what came of it."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    with tempfile.TemporaryDirectory() as home:
        data = Path(home) / "data"
        fill(data, Path(home) / "rides")
        process = subprocess.Popen(
            [sys.executable, "-m", "canassist", "serve", "--no-browser", "--port", "0",
             "--data", str(data)],
            stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        try:
            return watch(process, address_of(process), seconds)
        finally:
            process.terminate()
            process.wait(30)


def fill(data: Path, rides: Path) -> None:
    """Put finished rides on the shelf, and others into the queue."""
    sample = write_demo(rides, only=("speed_lost",))[0]
    data.mkdir()
    database, blobs = open_index(data), Blobs(data)
    index, page = RidesIndex(database), blobs.keep_bytes(b"<!DOCTYPE html><title>Report</title>")
    dbc, profile = (
        Stored(sha256=blobs.keep_bytes(path.read_bytes()), name=path.name, size=1)
        for path in (sample.dbc, sample.profile)
    )
    vehicle = Vehicles(database).add("Demo trail vehicle", [dbc], profile)
    log = sample.log.read_bytes()
    for number in range(RIDES):
        content = log + b"\n" * number if number >= RIDES - WAITING else b"%d" % number
        kept = Stored(sha256=blobs.keep_bytes(content), name=sample.log.name, size=len(content))
        new = NewRide(title=f"ride {number}", files=(kept,), vehicle=vehicle.id)
        ride, _ = index.put(new)
        if number < RIDES - WAITING:
            with database.writing() as rows:
                rows.execute(
                    "UPDATE rides SET state = 'done', page = ?, data = ?, rules = ?,"
                    " code = 'thermal_protection', strength = 'strong', duration_s = 600"
                    " WHERE id = ?",
                    (page, page, RULES, ride.id),
                )
    database.close()


def address_of(process: subprocess.Popen[str]) -> str:
    """Return where the server listens, once it tells."""
    assert process.stderr is not None
    for line in process.stderr:
        if found := re.search(r"(http://\S+)", line):
            return found[1]
    message = "the server did not start"
    raise RuntimeError(message)


def watch(process: subprocess.Popen[str], address: str, seconds: float) -> int:
    """Open a tab, ask for the shelf beside it, and tell the figures."""
    asked: Counter[str] = Counter()

    def note(request: Request) -> None:
        asked[urlsplit(request.url).path] += 1

    times: list[float] = []
    with sync_playwright() as driver, httpx.Client(base_url=address, timeout=30) as client:
        browser = driver.chromium.launch(executable_path=sys.argv[2] if len(sys.argv) > 2 else None)
        tab = browser.new_page()
        tab.goto(address)
        tab.on("request", note)
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            begun_s = time.monotonic()
            client.get("/", headers={"accept": "text/html"}).raise_for_status()
            times.append(time.monotonic() - begun_s)
            tab.wait_for_timeout(400)
        left = client.get("/api/rides?state=busy").json()["count"]
        browser.close()
    per_minute = sum(asked.values()) * 60.0 / seconds
    slow = statistics.quantiles(times, n=20)[-1]
    memory_mb = peak_mb(process.pid)
    print(f"requests a minute by one tab: {per_minute:.0f} ({dict(asked)})")
    print(f"shelf: median {statistics.median(times):.3f} s, 95th percentile {slow:.3f} s")
    print(f"server memory at its highest: {memory_mb:.0f} MB; {WAITING - left} rides were read")
    sound = per_minute <= MOST_REQUESTS and slow <= MOST_SHELF_S and memory_mb <= MOST_MEMORY_MB
    return 0 if sound else 1


def peak_mb(pid: int) -> float:
    """Return the most memory that a process held."""
    found = re.search(r"VmHWM:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text("utf-8"))
    return int(found[1]) / 1024 if found else 0.0


if __name__ == "__main__":
    sys.exit(main())
