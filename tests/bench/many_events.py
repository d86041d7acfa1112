"""What thousands of events cost: the same ride with none and with ten thousand of them.

Run from the project's folder::

    python -m tests.bench.many_events [--minutes 60] [--events 10000] [--profile FILE]

The healthy sample ride is repeated to that length; then its supply dips below the limit as often as
asked, for a tenth of a second each, and where each tenth dip stands assist falls with it. Judging
and writing are timed in one process, warm, by processor time; `ratio` is with against without.
"""

from __future__ import annotations

import argparse
import cProfile
import sys
import time
from dataclasses import replace

import numpy as np

from canassist.demo import RIDES, demo_profile, simulate
from canassist.judging import judge
from canassist.model import Case, Channel, InputFile, LogSummary, Profile, Result, Timeline
from canassist.report import render_page, result_json
from canassist.version import VERSION

MOST_TIMES = 1.5
MOST_MB = 3.0
DIP_S = 0.1
FALL_S = 0.6
MEGA = 1e6


def quiet_ride(minutes: float) -> tuple[Timeline, Profile]:
    """Return a healthy ride of about this length, and its vehicle's profile."""
    scenario = RIDES["healthy_mixed"]
    start, middle = scenario.stretches[:3], scenario.stretches[3:]
    lap_s = sum(stretch.seconds for stretch in middle)
    laps = max(1, round(minutes * 60.0 / lap_s))
    ride = simulate(replace(scenario, stretches=(*start, *middle * laps)))
    return ride.timeline(), demo_profile(scenario.layout, scenario.vehicle)


def with_dips(timeline: Timeline, events: int) -> Timeline:
    """Return the ride with that many short dips of its supply, each tenth with less assist."""
    dips = round(events / 1.1)
    begins = np.linspace(20.0, timeline.duration_s - 20.0, dips, endpoint=False)
    changed = {
        "supply_voltage": _lowered(timeline.channels["supply_voltage"], begins, DIP_S, 10.2),
        "assist_limit": _lowered(timeline.channels["assist_limit"], begins[::10], FALL_S, 60.0),
    }
    return replace(timeline, channels={**timeline.channels, **changed})


def _lowered(channel: Channel, begins: np.ndarray, length_s: float, value: float) -> Channel:
    place = np.maximum(np.searchsorted(begins, channel.time_s, side="right") - 1, 0)
    since = channel.time_s - begins[place]
    inside = (since >= 0.0) & (since < length_s)
    return replace(channel, value=np.where(inside, value, channel.value))


def result_of(timeline: Timeline, profile: Profile) -> Result:
    """Judge a ride."""
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


def costs(timeline: Timeline, profile: Profile, rounds: int = 2) -> tuple[list[float], Result, str]:
    """Return the processor seconds of judging, page and JSON (best of the rounds), and both."""
    best = [float("inf")] * 3
    for _ in range(rounds):
        marks = [time.process_time()]
        result = result_of(timeline, profile)
        marks.append(time.process_time())
        data = result_json(result)
        marks.append(time.process_time())
        page = render_page(result, data=data)
        marks.append(time.process_time())
        best = [min(a, b) for a, b in zip(best, np.diff(marks), strict=True)]
    return best, result, page


def main() -> int:
    """Print both and their ratio; return 1 above a limit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--events", type=int, default=10_000)
    parser.add_argument("--profile", help="where cProfile's figures of the eventful ride go")
    given = parser.parse_args()
    timeline, profile = quiet_ride(given.minutes)
    eventful = with_dips(timeline, given.events)
    print(f"ride       {timeline.duration_s / 60:.1f} min")
    without, calm, _ = costs(timeline, profile)
    watch = cProfile.Profile()
    if given.profile:
        watch.enable()
    many, result, page = costs(eventful, profile, 1 if given.profile else 2)
    if given.profile:
        watch.disable()
        watch.dump_stats(given.profile)
    size_mb = len(page.encode()) / MEGA
    print(f"{'':10} {len(calm.events):7} {len(result.events):7} events")
    for name, few, lots in zip(("judging", "JSON", "page"), without, many, strict=True):
        print(f"{name:10} {few:7.2f} {lots:7.2f} s, {lots / few:.1f} times")
    times = sum(many) / sum(without)
    print(f"together   {sum(without):7.2f} {sum(many):7.2f} s, {times:.2f} (at most {MOST_TIMES})")
    print(f"page       {size_mb:.2f} MB (at most {MOST_MB})")
    return int(times > MOST_TIMES or size_mb > MOST_MB)


if __name__ == "__main__":
    sys.exit(main())
