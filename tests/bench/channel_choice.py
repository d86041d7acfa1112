"""What the choice of channels costs: 300 messages, a ten-minute log, no profile.

Run ``python -m tests.bench.channel_choice`` from the project's folder. Three invented
vehicles share one bus, so that every channel has several candidates; the rest of the 300
messages only has names. Prints the medians of interleaved runs of ``canassist channels``
and ``canassist report`` on the same files, and how long ranking and choosing take by
themselves.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from canassist.decode import decode_ride, load_databases, plan_reading
from canassist.decode.matching import rank_static
from canassist.model import FrameSource, MessageFrames
from canassist.profile import default_profile, parse_profile
from tests.decode.hand_frames import stats_of
from tests.decode.invented_ride import LENGTH_S, VEHICLES, frames_of

if TYPE_CHECKING:
    from collections.abc import Mapping

ON_THE_BUS = ("camel_english", "german_letters", "many_voltages")
MESSAGES = 300
TIMES = 4
"""The invented ride lasts 150 s; ten minutes are four of them."""

ROUNDS = 3
FILLERS = ("WindowPos", "SeatHeat", "DoorState", "FuelLevel", "LampDuty", "RadioVol", "PumpSpeed")


def write_database(path: Path) -> None:
    """Write the three vehicles' messages and fillers up to 300."""
    texts = [(VEHICLES / f"{name}.dbc").read_text("utf-8") for name in ON_THE_BUS]
    lines = ['VERSION ""', "BU_: EPS_SG MOT_SG BORDNETZ ESP EPS ECM BCM ABS CLU PDM TCM BODY"]
    for text in texts:
        lines += [one for one in text.splitlines() if one.startswith(("BO_", " SG_"))]
    count = sum(one.startswith("BO_") for one in lines)
    for number in range(MESSAGES - count):
        lines.append(f"BO_ {0x7FF - number} Filler{number}: 8 BODY")
        lines += [
            f' SG_ {word}{number} : {8 * place}|8@1+ (0.5,0) [0|127.5] "%" Vector__XXX'
            for place, word in enumerate(FILLERS)
        ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def bus() -> dict[FrameSource, MessageFrames]:
    """Return ten minutes of the three vehicles' frames."""
    found: dict[FrameSource, MessageFrames] = {}
    for name in ON_THE_BUS:
        found |= frames_of(name)[0]
    return {source: _repeated(one) for source, one in found.items()}


def _repeated(one: MessageFrames) -> MessageFrames:
    later = np.arange(TIMES)[:, None] * LENGTH_S
    return replace(
        one,
        time_s=(one.time_s[None, :] + later).ravel(),
        payload=np.tile(one.payload, (TIMES, 1)),
        length=np.tile(one.length, TIMES),
    )


def write_log(frames: Mapping[FrameSource, MessageFrames], path: Path) -> int:
    """Write them as a candump listing, in time order; returns how many."""
    time_s = np.concatenate([one.time_s for one in frames.values()])
    lines = []
    for source, one in frames.items():
        lines += [f"can0 {source.key:03X}#{row.tobytes().hex().upper()}" for row in one.payload]
    order = np.argsort(time_s, kind="stable")
    with path.open("w", encoding="ascii", newline="\n") as log:
        for row in order.tolist():
            log.write(f"({1_700_000_000 + time_s[row]:.6f}) {lines[row]}\n")
    return len(order)


def timed(*arguments: str, folder: Path) -> float:
    """Return the seconds that one run of the tool takes."""
    start = time.perf_counter()
    command = [sys.executable, "-m", "canassist", *arguments]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return time.perf_counter() - start


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_database(folder / "big.dbc")
        frames = bus()
        count = write_log(frames, folder / "ride.log")
        inside(folder / "big.dbc", frames)
        runs: dict[str, list[float]] = {"channels": [], "report": []}
        for _ in range(ROUNDS):
            for command, found in runs.items():
                found.append(timed(command, "ride.log", "--dbc", "big.dbc", folder=folder))
        for command, found in runs.items():
            print(f"{command:9} {statistics.median(found):6.2f} s  ({count} frames)")


def inside(database: Path, frames: Mapping[FrameSource, MessageFrames]) -> None:
    """Print how long the parts take in memory."""
    databases = load_databases([database])
    start = time.process_time()
    ranked = rank_static(databases)
    middle = time.process_time()
    profile = default_profile()
    ride = decode_ride(frames, plan_reading(databases, profile), profile, stats_of(frames))
    end = time.process_time()
    candidates = sum(len(ones) for ones in ranked.values())
    print(f"messages  {len(databases.messages)}, candidates {candidates}")
    print(f"ranking   {1e3 * (middle - start):6.0f} ms")
    print(f"decoding and choosing {1e3 * (end - middle):6.0f} ms, {len(ride.channels)} channels")
    named = parse_profile(
        "[channels]\n"
        + "".join(f'{name} = "{one.signal}"\n' for name, one in ride.channels.items()),
        "named.toml",
    )
    start = time.process_time()
    decode_ride(frames, plan_reading(databases, named), named, stats_of(frames))
    plain = time.process_time() - start
    print(f"choosing costs {(end - middle) / plain:.2f} times decoding the same channels by name")


if __name__ == "__main__":
    main()
