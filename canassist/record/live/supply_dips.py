"""Supply below its limit in the newest seconds of a log."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist import decode, physics
from canassist.frames import BusStatsCollector
from canassist.model import ChannelSpec, Timeline
from canassist.record.state import Alarm
from canassist.timeline import value_at

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from canassist.model import BoolArray, Channel, FloatArray, FrameBlock, Profile

NEEDED: Final = ("supply_voltage", "engine_speed")
BACK_V: Final = 0.2
"""A dip has ended this far above the limit (the contract's figure)."""
STARTER_S: Final = 0.7
"""Samples are judged after this, where the starter may be about to turn: it draws current 0.5 s
before engine speed leaves zero (the contract's figure), and that must have been seen."""


class SupplyDips:
    """Finds dips, each once, and again when it has ended.

    Parameters
    ----------
    databases : sequence of Path
    profile : Profile
    """

    def __init__(self, databases: Sequence[Path], profile: Profile) -> None:
        self._databases = decode.load_databases(databases)
        self._given = profile
        self._profile = profile
        self._plan: decode.ReadingPlan | None = None
        self._seen_until_s = float("-inf")
        self._open: Alarm | None = None
        self._lowest_v = float("inf")
        self.engine_runs = False

    def learn(self, channels: Mapping[str, Channel]) -> None:
        """Take the signals that were chosen for supply and engine speed."""
        specs: dict[str, ChannelSpec] = {}
        for name in NEEDED:
            if name in self._given.channels:
                specs[name] = self._given.channels[name]
            elif name in channels:
                specs[name] = ChannelSpec(signal=channels[name].signal)
        if "supply_voltage" in specs:
            self._profile = replace(self._given, channels=specs, integrity=())
            plan = decode.plan_reading(self._databases, self._profile)
            self._plan = replace(plan, candidates={})  # the others are not asked for

    def look(
        self, blocks: Iterable[FrameBlock], zero_ns: int, buses: Sequence[str]
    ) -> Iterator[Alarm]:
        """Give dips that are new, or have ended, since the last look."""
        if self._plan is None:
            return
        timeline = self._decoded(self._plan, blocks, zero_ns, buses)
        supply = timeline.get("supply_voltage")
        if supply is None or not supply.unit_known:
            return
        time_s, supply_v = supply.valid()
        running = value_at(timeline, "engine_speed", time_s) > physics.STARTED_RPM
        self.engine_runs = bool(len(running)) and bool(running[-1])
        limit_v = self._limits(timeline, time_s)
        new = (time_s > self._seen_until_s) & self._ripe(time_s, running, timeline)
        for at in np.flatnonzero(new).tolist():
            yield from self._sample(float(time_s[at]), float(supply_v[at]), float(limit_v[at]))

    def _ripe(self, time_s: FloatArray, running: BoolArray, timeline: Timeline) -> BoolArray:
        """Tell which samples may be judged; none behind one that may not."""
        if not timeline.has("engine_speed"):
            return np.ones(len(time_s), dtype=np.bool_)
        newest = timeline.duration_s
        ripe = running | (time_s <= newest - STARTER_S)
        return np.logical_and.accumulate(ripe) if len(ripe) else ripe

    def _limits(self, timeline: Timeline, time_s: FloatArray) -> FloatArray:
        limits = self._given.limits
        turning = physics.within(time_s, physics.starter_turns(timeline))
        return np.where(turning, limits.cranking_v, limits.undervoltage_v)

    def _sample(self, at_s: float, supply_v: float, limit_v: float) -> Iterator[Alarm]:
        self._seen_until_s = at_s
        if self._open is None:
            if supply_v < limit_v:
                self._lowest_v = supply_v
                self._open = Alarm(kind="dip", at_s=at_s, lasted_s=None, text="supply voltage")
                yield self._told(self._open)
            return
        self._lowest_v = min(self._lowest_v, supply_v)
        if supply_v >= limit_v + BACK_V:
            ended = replace(self._told(self._open), lasted_s=at_s - self._open.at_s)
            self._open = None
            yield ended

    def _told(self, dip: Alarm) -> Alarm:
        return replace(dip, value=f"{self._lowest_v:.1f} V")

    def _decoded(
        self,
        plan: decode.ReadingPlan,
        blocks: Iterable[FrameBlock],
        zero_ns: int,
        buses: Sequence[str],
    ) -> Timeline:
        stats, collector = BusStatsCollector(), decode.FrameCollector()
        for block in blocks:
            stats.feed(block)
            collector.feed(block)
        seen = stats.finish(zero_ns=zero_ns, buses=buses)
        decoded = decode.decode_ride(collector.finish(zero_ns), plan, self._profile, seen)
        return Timeline(
            channels=decoded.channels, duration_s=seen.duration_s, start_utc=None, bus=seen
        )
