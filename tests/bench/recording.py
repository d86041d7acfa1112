"""Recording at a full bus's rate: frames lost, processor share and memory.

Two channels of 4,000 frames a second each, in the first half second of each five 10,000; the
stand-in interface loses what its queue has no room for: 2,000 frames, a fifth of a second of
these, or what ``--queue`` says. Its own share is measured first, by receiving without recording.
A process of its own that does nothing but sleep tells when this machine gave nobody the
processor: what is lost then is no loss of the tool's making.

``python tests/bench/recording.py [SECONDS]``; the virtual bus of python-can with ``--virtual``,
CAN FD frames of 64 bytes with ``--fd``, a disk that takes half a second a block with
``--slow-disk``. A slow terminal is a test: ``tests/record/test_screen.py``.
"""

from __future__ import annotations

import argparse
import gzip
import json
import multiprocessing
import os
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import can
import can.interfaces
import can.util

from canassist.profile import read_profile
from canassist.record import RecordingPlan, RecordingSession, channel_settings, open_sources
from canassist.record import session as session_module
from canassist.record.recorder import PlainLog

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from canassist.record.capture.log_writer import PackedBlock

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests/record/plug_in"))
can.interfaces.BACKENDS["standin"] = ("standin_can", "StandInBus")
can.util.VALID_INTERFACES |= {"standin"}
RATE, BURST = 4000, 10_000


def memory_mb() -> float:
    """Return the memory that this process has in use now, MB; NaN where it is not told."""
    try:
        pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    except OSError:
        return float("nan")
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def receiving_alone(seconds: float) -> float:
    """Return the processor share of receiving both channels and keeping nothing."""
    buses = [one.bus for one in open_sources(channel_settings(["standin"], ["can0", "can1"], []))]
    ends, begun = time.monotonic() + seconds, time.process_time()

    def receive(bus: can.BusABC) -> None:
        while time.monotonic() < ends:
            bus.recv(0.2)

    threads = [threading.Thread(target=receive, args=(bus,)) for bus in buses]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    for bus in buses:
        bus.shutdown()
    return (time.process_time() - begun) / seconds


def watch_the_machine(pipe: Connection, ends: float) -> None:
    """Tell when a process that only sleeps was woken more than 20 ms late, and by how much, s."""
    late, last = [], time.monotonic()
    while last < ends and not pipe.poll():
        time.sleep(0.005)
        now = time.monotonic()
        if now - last > 0.025:
            late.append((time.time(), now - last - 0.005))
        last = now
    pipe.send(late)


class SlowDisk(PlainLog):
    """A disk that takes half a second for each block."""

    def append(self, block: PackedBlock) -> None:
        """Add a block, slowly."""
        time.sleep(0.5)
        super().append(block)


def kept_whole(log: Path, lost: int) -> str:
    """Read the log again: frames by bus, each numbered, none missing but what was lost."""
    newest: dict[bytes, tuple[int, float]] = {}
    frames = missing = backward = 0
    with gzip.open(log, "rb") as lines:
        for line in lines:
            stamp, bus, frame = line.split()[:3]
            number, at = int(frame.rpartition(b"#")[2][-16:], 16), float(stamp[1:-1])
            before, last = newest.get(bus, (number - 1, at))
            frames += 1
            missing += number - before - 1
            backward += number <= before or at < last
            newest[bus] = number, at
    held = "as many as were lost" if missing in {0, lost} else f"not the {lost} that were told"
    return f"{frames} frames, {missing} numbers missing ({held}), {backward} out of order"


def send_on_virtual(seconds: float, over: threading.Event) -> None:
    """Send on two channels of the virtual bus, from this process, as a vehicle would."""
    senders = [can.Bus(interface="virtual", channel=name) for name in ("can0", "can1")]
    begun, number = time.monotonic(), 0
    while (passed := time.monotonic() - begun) < seconds and not over.is_set():
        while number < passed * 2 * RATE:
            data = (number // 2).to_bytes(8, "big")
            senders[number % 2].send(can.Message(arbitration_id=0x123, data=data))
            number += 1
        time.sleep(0.001)
    for one in senders:
        one.shutdown()


def main() -> None:
    """Record, and print what it took."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seconds", type=float, nargs="?", default=600.0)
    parser.add_argument("--virtual", action="store_true")
    parser.add_argument("--fd", action="store_true")
    parser.add_argument("--slow-disk", action="store_true")
    parser.add_argument("--queue", type=int, default=2000)
    asked = parser.parse_args()
    if asked.slow_disk:
        session_module.PlainLog = SlowDisk  # type: ignore[misc]  # stands in for it
    here, there = multiprocessing.Pipe()
    ends = time.monotonic() + asked.seconds + 60.0
    multiprocessing.get_context("spawn").Process(
        target=watch_the_machine, args=(there, ends), daemon=True
    ).start()
    setting = {"rate": RATE, "burst": BURST, "queue": asked.queue, "fd": asked.fd}
    os.environ |= {"STANDIN_CAN0": json.dumps(setting), "STANDIN_CAN1": json.dumps(setting)}
    alone = float("nan") if asked.virtual else receiving_alone(5.0)
    vehicle = ROOT / "dbc_demo"
    with tempfile.TemporaryDirectory() as folder:
        interface = "virtual" if asked.virtual else "standin"
        plan = RecordingPlan(
            log=Path(folder) / "ride.log.gz",
            databases=(vehicle / "demo_trail_vehicle.dbc",),
            profile=read_profile(vehicle / "demo_trail_vehicle.toml"),
        )
        sources = open_sources(channel_settings([interface], ["can0", "can1"], [500_000]))
        session = RecordingSession(plan, sources)
        over = threading.Event()
        begun, used, early = time.monotonic(), time.process_time(), 0.0
        session.start()
        if asked.virtual:
            threading.Thread(target=send_on_virtual, args=(asked.seconds, over)).start()
        while time.monotonic() - begun < asked.seconds:
            time.sleep(0.05)
            session.tick()
            session.state()
            if not early and time.monotonic() - begun > min(20.0, asked.seconds / 2):
                early = memory_mb()
        over.set()
        session.stop()
        passed, state = time.monotonic() - begun, session.state()
        share = (time.process_time() - used) / passed
        print(f"{state.frames} frames in {passed:.1f} s: {state.frames / passed:.0f} a second")
        print(f"lost: {state.lost}; in the log: {kept_whole(plan.log, state.lost)}")
        here.send("over")
        late = here.recv()
        for one in session.losses:
            at_s = one.at_log_s - state.first_log_s
            stall = max((by for at, by in late if abs(at - one.at_log_s) < 1.5), default=0.0)
            print(
                f"  {one.frames} of {one.channel} in the second {at_s:.0f};"
                f" a sleeping process was late by {stall:.2f} s then"
            )
        worst = max((by for _, by in late), default=0.0)
        often = sum(by > asked.queue / BURST for _, by in late)
        print(
            f"the machine: a sleeping process was late by {worst:.2f} s at most, {often} times"
            f" by more than the {asked.queue / BURST:.1f} s for which the queue has room"
        )
        print(f"processor share: {share:.0%} of one core; receiving alone {alone:.0%}")
        print(f"memory: {early:.0f} MB early, {memory_mb():.0f} MB at the end")
        print(f"log: {state.written_bytes / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
