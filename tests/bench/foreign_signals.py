"""How the choice of channels does on vehicles that no rule was written for.

Run ``python -m tests.bench.foreign_signals [COUNT] [FIRST]`` from the project's folder. Prints,
by channel, how many were right without a question, asked, left open and wrong in silence, and
every wrong one with its vehicle's traits.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

from canassist.decode import decode_ride, plan_reading
from canassist.model import CHANNEL_UNITS
from canassist.profile import default_profile
from tests.decode.foreign_vehicles import draw_vehicle, verdict


def main() -> None:
    """Print the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    by_channel: dict[str, Counter[str]] = {}
    profile = default_profile()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + count):
            vehicle = draw_vehicle(seed, Path(folder))
            plan = plan_reading(vehicle.databases, profile)
            found = decode_ride(vehicle.frames, plan, profile, vehicle.stats)
            for channel in CHANNEL_UNITS:
                said = verdict(found, channel, vehicle)
                kind = said.partition(":")[0]
                by_channel.setdefault(channel, Counter())[kind] += 1
                if kind == "wrong":
                    one = found.channels[channel]
                    print(seed, channel, said, one.signal, one.chosen_by, vehicle.traits)
            if found.fit is not None and found.fit.reason:
                print(seed, "called another vehicle's:", found.fit.reason)
    total: Counter[str] = Counter()
    for channel, counts in by_channel.items():
        print(f"{channel:20}", dict(sorted(counts.items())))
        total += counts
    print("all", dict(sorted(total.items())))


if __name__ == "__main__":
    main()
