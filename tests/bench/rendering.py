"""How long a one-hour ride's report takes to write, and how large it is.

Run from the project's folder::

    python -m tests.bench.rendering             # 60 minutes, not charging: hundreds of events
    python -m tests.bench.rendering --minutes 10

The ride is simulated; decoding and judging are not timed here. The first figure is a
fresh process's own (library packed, templates compiled), the second a warm one's.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from dataclasses import replace

from canassist.demo import RIDES, demo_profile, simulate
from canassist.judging import judge
from canassist.model import Case, InputFile, LogSummary, Result
from canassist.report import render_page, result_json
from canassist.version import VERSION

RENDER_LIMIT_S = 1.0
SIZE_LIMIT_MB = 3.0
SIZE_GOAL_MB = 2.5
WARM_RUNS = 5
MEGA = 1e6


def long_ride(minutes: float) -> Result:
    """Simulate a ride that repeats the sample's middle until it is long enough, and judge it."""
    scenario = RIDES["not_charging"]
    start, middle = scenario.stretches[:3], scenario.stretches[3:]
    lap_s = sum(stretch.seconds for stretch in middle)
    laps = max(1, round(minutes * 60.0 / lap_s))
    ride = simulate(replace(scenario, stretches=(*start, *middle * laps)))
    timeline, profile = ride.timeline(), demo_profile(scenario.layout, scenario.vehicle)
    answer = judge(timeline, profile, Case())
    bus, verdict = timeline.bus, answer.verdict
    log = LogSummary(
        format="candump",
        start_utc=timeline.start_utc,
        duration_s=timeline.duration_s,
        frames=bus.frames,
        error_frames=bus.error_frames,
        buses=bus.buses,
        ids=len(bus.ids),
        ids_known=len(bus.ids),
    )
    return Result(
        version=VERSION,
        inputs=(InputFile(role="log", name="hour.log", sha256="0" * 64, size_bytes=1),),
        log=log,
        timeline=timeline,
        physics=answer.physics,
        events=verdict.events,
        conclusions=verdict.conclusions,
        coverage=verdict.coverage,
        profile=profile,
    )


def timed(result: Result) -> tuple[float, float, str]:
    """Write the page and the JSON once; return seconds, seconds of processor, and the page."""
    start, start_cpu = time.perf_counter(), time.process_time()
    page = render_page(result)
    result_json(result)
    return time.perf_counter() - start, time.process_time() - start_cpu, page


def main() -> int:
    """Print time and size; return 1 if one is above its limit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    minutes = parser.parse_args().minutes
    result = long_ride(minutes)
    first_s, first_cpu_s, page = timed(result)
    warm_s = statistics.median(timed(result)[0] for _ in range(WARM_RUNS))
    size_mb = len(page.encode("utf-8")) / MEGA
    samples = sum(len(channel) for channel in result.channels.values())
    out = sys.stdout.write
    out(f"ride       {result.log.duration_s / 60:.1f} min, {len(result.channels)} channels, ")
    out(f"{samples:,} samples, {len(result.events)} events\n")
    out(f"rendering  first {first_s:.2f} s ({first_cpu_s:.2f} s of processor), ")
    out(f"warm {warm_s:.2f} s (limit {RENDER_LIMIT_S} s)\n")
    out(f"size       {size_mb:.2f} MB (limit {SIZE_LIMIT_MB} MB, goal {SIZE_GOAL_MB} MB)\n")
    return int(first_s > RENDER_LIMIT_S or size_mb > SIZE_LIMIT_MB)


if __name__ == "__main__":
    sys.exit(main())
