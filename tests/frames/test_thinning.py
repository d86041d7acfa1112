"""Recorders that drop frames of all identifiers by turns, told from units that fall silent."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from canassist.frames import open_log
from canassist.frames.bus_stats.statistics_of_bus import BusStatsCollector
from canassist.model import BusStats, FrameBlock, FrameSource, Thinning

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.model import BoolArray, IntArray

S = 1_000_000_000
MS = 1_000_000
PERIODS_MS = (10, 10, 10, 20, 20, 20, 20, 50, 50, 100, 100, 100, 200, 500, 1000)


def _bus(seconds: float, seed: int) -> tuple[IntArray, IntArray]:
    """Make times and identifiers of a bus of cyclic messages, units' clocks apart by 0.5 %."""
    dice = np.random.default_rng(seed)
    times, ids = [], []
    for number, period_ms in enumerate(PERIODS_MS):
        step = int(period_ms * MS * dice.uniform(0.995, 1.005))
        at = np.arange(dice.integers(1, step), int(seconds * S), step)
        times.append(at + dice.integers(-MS // 2, MS // 2, len(at)))
        ids.append(np.full(len(at), 0x100 + number))
    order = np.argsort(np.concatenate(times), kind="stable")
    return np.concatenate(times)[order], np.concatenate(ids)[order]


def _stats(time_ns: IntArray, ids: IntArray) -> BusStats:
    collector = BusStatsCollector()
    count = len(time_ns)
    block = FrameBlock(
        time_ns=time_ns,
        bus=np.zeros(count, dtype=np.uint8),
        can_id=ids.astype(np.uint32),
        flags=np.zeros(count, dtype=np.uint8),
        length=np.full(count, 8, dtype=np.uint8),
        payload=np.empty((0, 8), dtype=np.uint8),
        payload_row=np.empty(0, dtype=np.int64),
    )
    collector.feed(block)
    return collector.finish(zero_ns=int(time_ns[0]), buses=["can0"])


def _capped(time_ns: IntArray, most: int, window_ns: int) -> BoolArray:
    """Keep the first `most` frames of every window, as a slow interface does."""
    window = time_ns // window_ns
    first = np.concatenate(([True], window[1:] != window[:-1]))
    place = np.arange(len(time_ns))
    return np.asarray(place - np.maximum.accumulate(np.where(first, place, 0)) < most)


@pytest.mark.parametrize("seed", range(100))
def test_a_rate_of_loss_is_found_and_measured(seed: int) -> None:
    time_ns, ids = _bus(60.0, seed)
    dice = np.random.default_rng(seed)
    rate = float(np.exp(dice.uniform(np.log(0.005), np.log(0.9))))
    keep = dice.random(len(time_ns)) >= rate
    stats = _stats(time_ns[keep], ids[keep])
    assert stats.thinning[0].lost == pytest.approx(rate, rel=0.25)
    assert stats.thinning[0].period_s[0x103] == pytest.approx(0.02, rel=0.05)


def test_an_interface_with_a_highest_rate_is_found() -> None:
    """Not always: one that beats with the bus may lose the same few identifiers throughout."""
    found = 0
    for seed in range(100):
        time_ns, ids = _bus(30.0, seed)
        dice = np.random.default_rng(seed)
        window_ns = int(dice.uniform(8.0, 25.0) * MS)
        in_window = len(time_ns) / 30.0 * window_ns / S
        keep = _capped(time_ns, max(1, round(in_window * dice.uniform(0.1, 0.6))), window_ns)
        thinning = _stats(time_ns[keep], ids[keep]).thinning
        found += 0 in thinning and thinning[0].lost > 0.1
    assert found >= 98


@pytest.mark.parametrize("seed", range(100))
def test_whole_recordings_holes_and_silent_units_are_no_thinning(seed: int) -> None:
    """Nothing lost, up to nine holes of all, or one unit silent up to fifty times."""
    time_ns, ids = _bus(60.0, seed)
    dice = np.random.default_rng(seed)
    keep = np.ones(len(time_ns), dtype=np.bool_)
    unit = [0x100, 0x104, 0x105, 0x107, 0x109][: dice.integers(1, 6)]
    for kind, many in (("hole", dice.integers(0, 10)), ("unit", dice.integers(0, 51))):
        for _ in range(many):
            begin = dice.uniform(0.0, 59.0) * S
            inside = (time_ns >= begin) & (time_ns < begin + dice.uniform(0.05, 1.5) * S)
            keep &= ~(inside & (np.isin(ids, unit) if kind == "unit" else True))
    assert not _stats(time_ns[keep], ids[keep]).thinning


def test_how_likely_a_silence_is_the_recorders_own() -> None:
    stats = _stats(*_bus(10.0, 1))
    assert stats.chance_of_silence(FrameSource(0, 0x100), 5.0) == 0.0
    thinning = Thinning(lost=0.5, lost_again=0.5, period_s={0x100: 0.01})
    assert thinning.chance_of_silence(0x100, 0.02) == 0.5  # one frame is missing
    assert thinning.chance_of_silence(0x100, 0.05) == 0.125  # four are: three more behind one
    assert thinning.chance_of_silence(0x100, 0.3) < 1e-6
    assert thinning.chance_of_silence(0x7FF, 9.0) == 1.0  # nothing is known of its period


@pytest.mark.parametrize(
    ("name", "rate"),
    [
        ("car_d/thinned_recorder_9s.log", 0.7),
        ("car_h/thinned_recorder_rev_8s.log", 0.7),
        ("car_d/drive_town_36s.log", 0.009),  # 0.9 % of each identifier's frames are missing
    ],
)
def test_real_recorders_that_thin_say_so_first(shared_data: Path, name: str, rate: float) -> None:
    recording = open_log([shared_data / name])
    for _ in recording.blocks():
        pass
    assert recording.stats().thinning[0].lost == pytest.approx(rate, abs=0.1 * rate)
    assert recording.problems[0].where == "the recorder"
    assert "of every identifier by turns" in recording.problems[0].what
