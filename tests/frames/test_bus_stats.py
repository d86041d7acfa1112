"""Bus statistics, against a slow and plain count of the same frames."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canassist.frames.block_tools import rows_of
from canassist.frames.bus_stats.bit_rate import BitRateGauge
from canassist.frames.bus_stats.frame_bits import SHAPE_BITS, shapes_of
from canassist.frames.bus_stats.id_numbers import cells_of
from canassist.frames.bus_stats.statistics_of_bus import BusStatsCollector
from canassist.model import EXTENDED_KEY, BusStats, FrameBlock, FrameFlag

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

S = 1_000_000_000
MS = 1_000_000
Row = tuple[int, int, int, int, int]  # time in ns, bus, identifier, flags, length


def _block(rows: Sequence[Row]) -> FrameBlock:
    columns = list(zip(*rows, strict=True))
    return FrameBlock(
        time_ns=np.array(columns[0], dtype=np.int64),
        bus=np.array(columns[1], dtype=np.uint8),
        can_id=np.array(columns[2], dtype=np.uint32),
        flags=np.array(columns[3], dtype=np.uint8),
        length=np.array(columns[4], dtype=np.uint8),
        payload=np.empty((0, 8), dtype=np.uint8),
        payload_row=np.empty(0, dtype=np.int64),
    )


def _stats(
    rows: Iterable[Row], *, buses: Sequence[str] = ("can0",), rate: int | None = None, step: int = 0
) -> BusStats:
    ordered = sorted(rows)
    collector = BusStatsCollector(rate)
    whole = _block(ordered)
    size = step or len(whole)
    for at in range(0, len(whole), size):
        collector.feed(rows_of(whole, at, min(at + size, len(whole))))
    return collector.finish(zero_ns=ordered[0][0], buses=buses)


def _every(period_ns: int, until_ns: int, can_id: int = 0x100, bus: int = 0) -> list[Row]:
    return [(time, bus, can_id, 0, 8) for time in range(0, until_ns, period_ns)]


@settings(max_examples=80)
@given(
    rows=st.lists(
        st.tuples(
            st.integers(0, 100 * S),
            st.integers(0, 2),
            st.sampled_from([0x1, 0x7FF, 0x100, 0x18FEF100]),
            st.sampled_from([0, int(FrameFlag.EXTENDED), int(FrameFlag.ERROR)]),
            st.integers(0, 8),
        ),
        min_size=1,
        max_size=300,
    ),
    step=st.sampled_from([0, 1, 7]),
)
def test_counts_are_those_of_a_plain_loop(rows: list[Row], step: int) -> None:
    stats = _stats(rows, buses=("a", "b", "c"), step=step)
    zero = min(row[0] for row in rows)
    plain: dict[tuple[int, int], list[int]] = {}
    for time, bus, can_id, flags, _ in sorted(rows):
        if not flags & FrameFlag.ERROR:
            key = can_id | (EXTENDED_KEY if flags & FrameFlag.EXTENDED else 0)
            plain.setdefault((bus, key), []).append(time)
    assert stats.frames == len(rows)
    assert stats.error_frames == sum(1 for row in rows if row[3] & FrameFlag.ERROR)
    assert stats.duration_s == pytest.approx((max(row[0] for row in rows) - zero) / S)
    assert [tuple(one.source) for one in stats.ids] == sorted(plain)
    for one in stats.ids:
        times = plain[one.source.bus, one.source.key]
        assert one.count == len(times)
        assert one.first_s == pytest.approx((times[0] - zero) / S)
        assert one.last_s == pytest.approx((times[-1] - zero) / S)
        steps = [b - a for a, b in pairwise(times)]
        if steps:
            assert one.period_s == pytest.approx(statistics.median(steps) / S)
        else:
            assert math.isnan(one.period_s)
            assert math.isnan(one.jitter_s)


def test_period_and_jitter_by_hand() -> None:
    """Ten frames 100 ms apart, and one late by 20 ms: 80, 100 and 120 ms between them."""
    times = [number * 100 * MS for number in range(11)]
    times[5] += 20 * MS
    stats = _stats([(time, 0, 0x100, 0, 8) for time in times])
    assert stats.ids[0].period_s == pytest.approx(0.1)
    # 5th and 95th percentile of 80 100x8 120 by linear interpolation: 89 and 111
    assert stats.ids[0].jitter_s == pytest.approx((0.111 - 0.089) / 2)
    assert stats.ids[0].longest_silence_s == pytest.approx(0.12)


def test_an_identifier_that_falls_silent_while_the_bus_goes_on() -> None:
    steady = _every(10 * MS, 10 * S, 0x200)
    module = [row for row in _every(20 * MS, 10 * S) if not 3 * S < row[0] < 4 * S]
    stats = _stats([*steady, *module])
    one = stats.ids[0]
    assert one.source.key == 0x100
    assert one.silences == ((3.0, 4.0),)
    assert one.longest_silence_s == pytest.approx(1.0)
    assert stats.ids[1].silences == ()
    assert stats.recording_gaps == ()


def test_a_slow_identifier_is_not_silent() -> None:
    steady = _every(10 * MS, 60 * S, 0x200)
    stats = _stats([*steady, *_every(S, 60 * S)])
    assert stats.ids[0].silences == ()
    late = [row for row in _every(S, 60 * S) if not 20 * S < row[0] < 24 * S]  # four periods
    assert _stats([*steady, *late]).ids[0].silences == ()
    late = [row for row in _every(S, 60 * S) if not 20 * S < row[0] < 25 * S]  # five
    assert _stats([*steady, *late]).ids[0].silences == ((20.0, 25.0),)


def test_a_hole_on_all_identifiers_is_nobodys_silence() -> None:
    rows = [
        row
        for row in [*_every(10 * MS, 10 * S), *_every(20 * MS, 10 * S, 0x200)]
        if not 3 * S < row[0] < 5 * S
    ]
    stats = _stats(rows)
    assert stats.recording_gaps == ((3.0, 5.0),)
    for one in stats.ids:
        assert one.silences == ()
        assert one.longest_silence_s <= 0.02


def test_a_short_hole_is_no_gap_and_nobodys_silence() -> None:
    rows = [row for row in _every(10 * MS, 10 * S) if not 3 * S < row[0] < 3 * S + 500 * MS]
    stats = _stats(rows)
    assert stats.recording_gaps == ()
    assert stats.ids[0].silences == ()


def test_a_hole_within_a_silence_is_taken_off_it() -> None:
    """The module is silent for 3 s, of which the recorder itself missed 2."""
    steady = [r for r in _every(10 * MS, 10 * S, 0x200) if not 4 * S < r[0] < 6 * S]
    module = [r for r in _every(20 * MS, 10 * S) if not 3500 * MS < r[0] < 6500 * MS]
    one = _stats([*steady, *module]).ids[0]
    assert one.silences == ((3.5, 6.5),)
    assert one.longest_silence_s == pytest.approx(1.0)


@pytest.mark.parametrize("pause_ms", [999, 1000, 1001])
def test_a_recording_gap_is_a_second_or_more(pause_ms: int) -> None:
    rows = [(time * MS, 0, 0x100, 0, 8) for time in (0, 1, 2, 2 + pause_ms, 3 + pause_ms)]
    assert len(_stats(rows).recording_gaps) == (pause_ms >= 1000)


def test_one_of_two_buses_silent() -> None:
    other = [row for row in _every(10 * MS, 10 * S, bus=1) if not 3 * S < row[0] < 5 * S]
    stats = _stats([*_every(10 * MS, 10 * S), *other], buses=("a", "b"))
    assert stats.bus_gaps == ((1, 3.0, 5.0),)
    assert stats.recording_gaps == ()


def test_a_gap_of_the_recording_is_no_silent_bus() -> None:
    rows = [
        row
        for bus in (0, 1)
        for row in _every(10 * MS, 10 * S, bus=bus)
        if not 3 * S < row[0] < 5 * S
    ]
    stats = _stats(rows, buses=("a", "b"))
    assert stats.bus_gaps == ()
    assert stats.recording_gaps == ((3.0, 5.0),)


def test_error_frames_keep_time_and_class() -> None:
    error = int(FrameFlag.ERROR)
    rows = [*_every(10 * MS, S), (505 * MS, 0, 0x88, error, 8), (105 * MS, 0, 0x4, error, 8)]
    stats = _stats(rows)
    assert stats.error_time_s.tolist() == pytest.approx([0.105, 0.505])
    assert stats.error_class.tolist() == [0x4, 0x88]
    assert len(stats.ids) == 1


def test_identifiers_that_share_a_cell_of_the_table_are_told_apart() -> None:
    keys = np.arange(1 << 20, dtype=np.uint32)
    cells = cells_of(keys | np.uint32(EXTENDED_KEY), np.zeros(len(keys), dtype=np.uint8))
    same = keys[cells == cells[5]][:6].tolist()
    assert len(same) == 6
    rows = [(number, 0, same[number % 6], int(FrameFlag.EXTENDED), 0) for number in range(600)]
    stats = _stats(rows, step=100)
    assert [one.source.key & ~EXTENDED_KEY for one in stats.ids] == sorted(same)
    assert {one.count for one in stats.ids} == {100}


def test_more_identifiers_than_two_bytes_can_count() -> None:
    rows = [(number, 0, number % 66_000, 1, 0) for number in range(70_000)]
    stats = _stats(rows)
    assert len(stats.ids) == 66_000
    assert sum(one.count for one in stats.ids) == 70_000


def test_load_by_hand() -> None:
    """Nominal lengths 111 and 47 bits: 100 of each a second at 500 kbit/s are 3.16 %."""
    full = [(number * 10 * MS, 0, 0, 0, 8) for number in range(101)]
    empty = [(number * 10 * MS + MS, 0, 0, 0, 0) for number in range(100)]
    stats = _stats([*full, *empty], rate=500_000)
    assert stats.load[0] == pytest.approx(0.0316, abs=0.0003)
    assert stats.bit_rate_given


def test_load_with_stuff_bits_where_data_was_read() -> None:
    """The same frames, all zero, have 127 and 53 bits: 3.60 %."""
    rows = sorted((number * 5 * MS, 0, 0, 0, 8 - number % 2 * 8) for number in range(201))
    block = replace(
        _block(rows),
        payload=np.zeros((len(rows), 8), dtype=np.uint8),
        payload_row=np.arange(len(rows)),
    )
    collector = BusStatsCollector(500_000)
    collector.feed(block)
    stats = collector.finish(zero_ns=0, buses=("can0",))
    assert stats.load[0] == pytest.approx(0.0360, abs=0.0003)


def test_the_load_of_frames_that_switch_their_bit_rate_is_not_known() -> None:
    flags = int(FrameFlag.FD | FrameFlag.BIT_RATE_SWITCH)
    rows = [(number * MS, 0, 0x100, flags, 64) for number in range(100)]
    assert _stats(rows, rate=500_000).load == (None,)


def _back_to_back(rate: int, count: int = 4000, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Half of the frames follow the one before at once, with stuff bits of 0 to 15 %."""
    dice = np.random.default_rng(seed)
    length = dice.integers(0, 9, count).astype(np.uint8)
    shape = shapes_of(np.zeros(count, dtype=np.uint8), length)
    took = SHAPE_BITS[shape] * dice.uniform(1.0, 1.15, count) * 1e9 / rate
    pause = np.where(dice.random(count) < 0.5, 0, dice.uniform(0, 5e6, count))
    time_ns = np.cumsum(took + pause).astype(np.int64) // 1000 * 1000
    return time_ns, shape


@pytest.mark.parametrize("rate", [1_000_000, 500_000, 250_000, 125_000])
def test_the_bit_rate_is_told_from_frames_without_a_pause(rate: int) -> None:
    gauge = BitRateGauge()
    gauge.add(*_back_to_back(rate))
    assert gauge.rate() == rate


def test_times_that_mean_nothing_tell_no_bit_rate() -> None:
    """Frames handed over in bundles of one time, and frames with long pauses."""
    gauge = BitRateGauge()
    time_ns, shape = _back_to_back(500_000)
    gauge.add(time_ns // (10 * MS) * (10 * MS), shape)
    assert gauge.rate() is None
    gauge = BitRateGauge()
    gauge.add(np.arange(4000) * 5 * MS, shape)
    assert gauge.rate() is None


def test_the_bit_rate_of_real_recordings_is_right_or_not_told(shared_data: Path) -> None:
    """A car's main bus runs at 500 kbit/s (common practice, no source), a truck's at 250."""
    from canassist.frames import open_log  # noqa: PLC0415 - only here

    found = {}
    for path in sorted(shared_data.glob("*/*.log")):
        recording = open_log([path])
        for _ in recording.blocks():
            pass
        found[path.name] = set(recording.stats().bit_rate) - {None}
    assert found.pop("idle_127s_dm1_bam.log") <= {250_000}
    assert all(rates <= {500_000} for rates in found.values())
    assert sum(map(len, found.values())) >= 2


def test_memory_of_intervals_is_bounded() -> None:
    collector = BusStatsCollector()
    for part in range(20):
        rows = [((part * 50_000 + number) * MS, 0, 0x100, 0, 8) for number in range(50_000)]
        collector.feed(_block(rows))
    stats = collector.finish(zero_ns=0, buses=("can0",))
    assert stats.ids[0].count == 1_000_000
    assert stats.ids[0].period_s == pytest.approx(0.001)
    assert len(collector._traffic._intervals[0].values()) <= 1 << 13
