"""Clocks that step back, jump or wrap: repaired where the rule is certain, reported always."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canassist.frames.merge.clock_repair import ClockRepair
from canassist.model import FrameBlock, ReadReport

if TYPE_CHECKING:
    from collections.abc import Sequence

S = 1_000_000_000
MS = 1_000_000
DAY = 86_400 * S


def _block(time_ns: Sequence[int], bus: Sequence[int] | int = 0, first_id: int = 0) -> FrameBlock:
    """Make frames whose data is their number, so that their order can be seen."""
    count = len(time_ns)
    numbers = np.arange(first_id, first_id + count, dtype=np.uint64)
    return FrameBlock(
        time_ns=np.array(time_ns, dtype=np.int64),
        bus=np.full(count, bus, dtype=np.uint8)
        if isinstance(bus, int)
        else np.array(bus, np.uint8),
        can_id=(numbers % 5).astype(np.uint32),
        flags=np.zeros(count, dtype=np.uint8),
        length=np.full(count, 8, dtype=np.uint8),
        payload=numbers.view(np.uint8).reshape(count, 8),
        payload_row=np.arange(count),
    )


def _repaired(
    time_ns: Sequence[int],
    bus: Sequence[int] | int = 0,
    *,
    step: int = 7,
    report: ReadReport | None = None,
) -> tuple[list[int], list[int], ReadReport]:
    """Feed frames in blocks of `step`; return the times, the frames' numbers and the report."""
    report = report or ReadReport()
    clock = ClockRepair(report)
    out: list[FrameBlock] = []
    for at in range(0, len(time_ns), step):
        some = bus if isinstance(bus, int) else bus[at : at + step]
        out += clock.feed(_block(time_ns[at : at + step], some, at))
    out += clock.finish()
    times = [time for block in out for time in block.time_ns.tolist()]
    numbers = [
        number
        for block in out
        for number in np.ascontiguousarray(block.payload).view(np.uint64)[:, 0].tolist()
    ]
    assert [block.payload_row.tolist() for block in out] == [list(range(len(b))) for b in out]
    return times, numbers, report


steps = pytest.mark.parametrize("step", [1, 3, 50, 10_000])


@steps
def test_a_good_clock_is_left_alone(step: int) -> None:
    time_ns = [number * MS for number in range(200)]
    assert _repaired(time_ns, step=step)[:2] == (time_ns, list(range(200)))
    assert not _repaired(time_ns, step=step)[2].problems


@steps
def test_late_frames_are_sorted_and_counted(step: int) -> None:
    time_ns = [number * MS for number in range(200)]
    for place in (40, 41, 90, 199):
        time_ns[place] -= 5 * MS + 1
    times, numbers, report = _repaired(time_ns, step=step)
    assert times == sorted(time_ns)
    assert numbers == sorted(range(200), key=lambda number: time_ns[number])
    assert len(report.problems) == 1
    assert report.problems[0].what == "frames behind later ones, sorted by time; from here on 4"


@steps
def test_two_buses_handed_over_in_bundles_are_woven(step: int) -> None:
    """Each bus is in order by itself; a bundle of one comes before a bundle of the other."""
    time_ns, bus = [], []
    for bundle in range(20):
        for one in (0, 1):
            time_ns += [bundle * 50 * MS + number * MS + one for number in range(50)]
            bus += [one] * 50
    times, numbers, report = _repaired(time_ns, bus, step=step)
    assert times == sorted(time_ns)
    assert sorted(numbers) == list(range(2000))
    assert [time_ns[number] for number in numbers] == times
    assert len(report.problems) == 1
    assert "steps back between buses" in report.problems[0].what
    if step > 1000:
        assert "from here on 20" in report.problems[0].what


@steps
def test_buses_stored_one_after_the_other_keep_every_frame_and_time(step: int) -> None:
    time_ns = [number * 100 * MS for number in range(200)] * 2
    times, numbers, report = _repaired(time_ns, [0] * 200 + [1] * 200, step=step)
    assert sorted(times) == sorted(time_ns)
    assert [time_ns[number] for number in numbers] == times
    assert "each kept in its order" in report.problems[-1].what


@steps
def test_a_clock_set_back_goes_on(step: int) -> None:
    time_ns = [10 * S + number * MS for number in range(100)]
    time_ns += [5 * S + number * MS for number in range(100)]
    times, numbers, report = _repaired(time_ns, step=step)
    assert numbers == list(range(200))
    assert times == [10 * S + number * MS for number in range(200)]
    assert len(report.problems) == 1
    assert "steps back by 5.099" in report.problems[0].what
    assert report.problems[0].where == "0.099000 s after its start"


@steps
def test_a_recording_appended_to_another_goes_on(step: int) -> None:
    time_ns = [number * MS for number in range(500)] * 3
    times, _, report = _repaired(time_ns, step=step)
    assert times == [number * MS for number in range(1500)]
    assert len(report.problems) == 2


@pytest.mark.parametrize(
    ("size", "name"),
    [
        (1 << 32, "32-bit count of nanoseconds"),
        ((1 << 16) * MS, "16-bit count of milliseconds"),
        ((1 << 32) * 1000, "32-bit count of microseconds"),
        ((1 << 32) * 10_000, "32-bit count of ten microseconds"),
        ((1 << 32) * MS, "32-bit count of milliseconds"),
        (DAY, "a day"),
    ],
)
@steps
def test_a_counter_that_starts_again_at_zero_goes_on_exactly(
    size: int, name: str, step: int
) -> None:
    true = [size - 60 * MS + number * MS for number in range(120)]
    times, numbers, report = _repaired([one % size for one in true], step=step)
    assert times == true
    assert numbers == list(range(120))
    assert len(report.problems) == 1
    assert name in report.problems[0].what


@steps
def test_a_few_times_far_ahead_are_wrong_not_a_jump(step: int) -> None:
    time_ns = [number * MS for number in range(200)]
    for place in (60, 61, 130):
        time_ns[place] += 50_000 * S
    times, numbers, report = _repaired(time_ns, step=step)
    expected = [number * MS for number in range(200)]
    expected[60:62], expected[130] = [59 * MS, 59 * MS], 129 * MS
    assert times == expected
    assert numbers == list(range(200))
    assert [problem.where for problem in report.problems] == [
        "0.059000 s after its start",
        "0.129000 s after its start",
    ]


@steps
def test_a_damaged_frame_on_a_bus_of_its_own_does_not_stretch_the_ride(step: int) -> None:
    """Both its bus and its time are garbage; the other bus's order is not touched by it."""
    time_ns, bus = [number * MS for number in range(200)], [0] * 200
    for place, there in ((60, 7 * 3600 * S), (120, -(10**12))):
        time_ns[place], bus[place] = there, 7
    times, numbers, report = _repaired(time_ns, bus, step=step)
    assert times == sorted(times)
    assert (times[0], times[-1]) == (0, 199 * MS)
    assert sorted(numbers) == list(range(200))
    assert len(report.problems) == 2


@steps
def test_a_time_of_zero_in_between_is_wrong_not_the_beginning(step: int) -> None:
    time_ns = [1_700_000_000 * S + number * MS for number in range(200)]
    time_ns[77] = 0
    times, numbers, report = _repaired(time_ns, step=step)
    assert numbers == list(range(200))
    assert times[0] == 1_700_000_000 * S
    assert times[77] == times[76]
    assert "a frame with a time" in report.problems[0].what


@steps
def test_a_clock_that_is_set_while_recording_gives_the_date(step: int) -> None:
    """It started at 1970, and was set by the network or by satellite."""
    early = [5 * S + number * MS for number in range(100)]
    late = [1_700_000_000 * S + number * MS for number in range(100)]
    times, _, report = _repaired([*early, *late], step=step)
    assert times == [5 * S + number * MS for number in range(200)]
    assert len(report.problems) == 1
    assert "jumps ahead" in report.problems[0].what
    start = datetime.fromtimestamp(1_700_000_000 - 5.1, UTC)
    assert report.start_utc is not None
    assert abs((report.start_utc - start).total_seconds()) < 1e-3


@steps
def test_a_pause_within_a_day_is_a_pause(step: int) -> None:
    time_ns = [number * MS for number in range(100)]
    time_ns += [20 * 3600 * S + number * MS for number in range(100)]
    times, _, report = _repaired(time_ns, step=step)
    assert times == time_ns
    assert not report.problems


def test_a_bundle_that_was_written_twice_is_dropped_once() -> None:
    time_ns = [number * MS for number in range(300)]
    twice = [*time_ns[:200], *time_ns[100:200], *time_ns[200:]]
    report = ReadReport()
    clock = ClockRepair(report)
    ids = [*range(200), *range(100, 200), *range(200, 300)]
    block = _block(twice)
    block.can_id[:] = np.array(ids) % 5
    block.payload[:] = np.array(ids, dtype=np.uint64).view(np.uint8).reshape(-1, 8)
    out = [*clock.feed(block), *clock.finish()]
    assert [time for one in out for time in one.time_ns.tolist()] == time_ns
    assert "100 frames written a second time" in report.problems[0].what


def test_frames_equal_to_the_one_before_are_counted_and_kept() -> None:
    report = ReadReport()
    clock = ClockRepair(report)
    block = _block([0, MS, MS, 2 * MS])
    block.can_id[:] = 7
    out = [*clock.feed(block), *clock.finish()]
    assert sum(map(len, out)) == 4
    assert "equal to the one before" in report.problems[0].what


def test_hopeless_disorder_ends(recwarn: pytest.WarningsRecorder) -> None:
    dice = np.random.default_rng(4)
    time_ns = dice.integers(0, 1 << 60, 20_000).tolist()
    times, numbers, report = _repaired(time_ns, step=5000)
    assert sorted(numbers) == list(range(20_000))
    assert len(times) == 20_000
    assert len(report.problems) <= report.MAX_PROBLEMS
    assert not recwarn.list


@settings(max_examples=200)
@given(data=st.data())
def test_frames_are_never_lost_and_never_go_back(data: st.DataObject) -> None:
    """Whatever one bus's clock does, its frames all come out, in order of time."""
    moves = st.sampled_from([0, 1, 1000, MS, -MS, S, -S, 10 * S, -10 * S, 30 * DAY, -30 * DAY])
    time_ns = np.cumsum(data.draw(st.lists(moves, min_size=1, max_size=300))) + (1 << 60)
    times, numbers, _ = _repaired(time_ns.tolist(), step=data.draw(st.sampled_from([1, 10, 1000])))
    assert sorted(numbers) == sorted(set(numbers))
    assert len(numbers) >= len(time_ns) - 300  # repeats may be dropped
    assert times == sorted(times)


# Bundles: a constant that comes back


def _cyclic(seconds: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Make times and identifiers of a bus of cyclic messages with some jitter."""
    dice = np.random.default_rng(seed)
    times, ids = [], []
    for number, period_ms in enumerate((10, 10, 20, 20, 50, 100, 1000)):
        at = np.arange(dice.integers(1, period_ms * MS), int(seconds * S), period_ms * MS)
        times.append(at + dice.integers(-MS // 2, MS // 2, len(at)))
        ids.append(np.full(len(at), number))
    order = np.argsort(np.concatenate(times), kind="stable")
    return np.concatenate(times)[order], np.concatenate(ids)[order]


def _through(time_ns: np.ndarray, ids: np.ndarray, step: int) -> tuple[np.ndarray, ReadReport]:
    report = ReadReport()
    clock = ClockRepair(report)
    out: list[FrameBlock] = []
    for at in range(0, len(time_ns), step):
        block = _block(time_ns[at : at + step].tolist(), 0, at)
        block.can_id[:] = ids[at : at + step]
        out += clock.feed(block)
    out += clock.finish()
    numbers = np.concatenate(
        [np.ascontiguousarray(b.payload).view(np.uint64)[:, 0] for b in out]
    ).astype(int)
    repaired = np.empty_like(time_ns)
    repaired[numbers] = np.concatenate([block.time_ns for block in out])
    return repaired, report


@pytest.mark.parametrize("seed", range(200))
def test_a_bundle_with_a_constant_error_is_moved_and_nothing_else(seed: int) -> None:
    """Up to four bundles of 5 to 400 frames, 0.3 to 3000 s too low or too high."""
    true, ids = _cyclic(12.0, seed)
    dice = np.random.default_rng(seed + 1000)
    by_ns = int(S * np.exp(dice.uniform(np.log(0.3), np.log(3000.0)))) * dice.choice([-1, -1, 1])
    time_ns = true.copy()
    begins = np.sort(dice.choice(np.arange(800, len(true) - 800, 600), 4, replace=False))
    for begin in begins[: dice.integers(1, 5)].tolist():
        time_ns[begin : begin + int(dice.integers(5, 400))] += by_ns
    repaired, report = _through(time_ns, ids, int(dice.choice([40, 700, 10**6])))
    assert report.problems
    assert np.abs(repaired - true).max() < 20 * MS, report.problems
    assert abs(float(np.ptp(repaired)) / float(np.ptp(true)) - 1.0) < 0.02


@pytest.mark.parametrize("seed", range(40))
def test_bundles_of_a_recorder_that_drops_frames_make_the_ride_no_longer(seed: int) -> None:
    """Of runs of 40 frames the first 12 are left; two bundles are 1.5 to 6 s too low."""
    every, all_ids = _cyclic(40.0, seed)
    left = np.arange(len(every)) % 40 < 12
    true, ids = every[left], all_ids[left]
    dice = np.random.default_rng(seed)
    time_ns, by_ns = true.copy(), int(dice.uniform(1.5, 6.0) * S)
    for begin in (len(true) // 3, len(true) * 2 // 3):
        time_ns[begin : begin + int(dice.integers(80, 200))] -= by_ns
    repaired, _ = _through(time_ns, ids, 10**6)
    assert abs(float(np.ptp(repaired)) / float(np.ptp(true)) - 1.0) < 0.02


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("far_s", [11, 3600, 10**6, 10**9])
def test_a_last_frame_with_a_far_wrong_time_makes_no_gap(seed: int, far_s: int) -> None:
    true, ids = _cyclic(6.0, seed)
    time_ns = true.copy()
    time_ns[-1 - seed % 3 :] += far_s * S
    repaired, report = _through(time_ns, ids, 300)
    assert np.abs(repaired - true).max() < 20 * MS
    assert "off; set to that of the frame beside" in report.problems[-1].what


def test_a_pause_that_only_looks_like_a_clock_coming_forward_stays() -> None:
    """After a step back, a pause of another length is a pause."""
    true, ids = _cyclic(12.0, 3)
    time_ns = true.copy()
    time_ns[1000:] -= 5 * S
    time_ns[2000:] += 9 * S
    repaired, _ = _through(time_ns, ids, 500)
    assert int(np.diff(repaired).max()) == pytest.approx(9 * S, abs=20 * MS)


def test_frames_that_come_late_in_a_bundle_are_sorted_not_moved() -> None:
    true, ids = _cyclic(6.0, 5)
    order = np.arange(len(true))
    order[1000:1060] = np.r_[1030:1060, 1000:1030]
    repaired, report = _through(true[order], ids[order], 400)
    assert np.array_equal(np.sort(repaired), np.sort(true))
    assert "sorted by time" in report.problems[0].what
