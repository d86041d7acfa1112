"""Dips, lost channels and restarts while somebody moves a plug, a moment after they happen."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.model import MODULE_CHANNELS
from canassist.record.live.supply_dips import SupplyDips
from canassist.record.state import Alarm

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from canassist.model import Channel, FrameBlock, IntArray, Profile
    from canassist.record.live.live_reading import DecodedSoFar

_NS: Final = 1_000_000_000
WINDOW_S: Final = 8.0
"""So much of the newest log is looked at."""
SHORTEST_S: Final = 0.042
"""A silence of the module shorter than this is not rung for: two periods of a common 20 ms."""
STANDS_OUT: Final = 2.0
"""A silence stands out at this many times the step that 99 of 100 steps stay below; own choice."""
RESTART_S: Final = 0.2
"""A silence of the module of this length may be a restart (the contract's figure)."""
LASTING_S: Final = 0.5
"""A silence that has not ended is rung for after this, where the engine runs."""
KEY_S: Final = 2.5
"""Without a running engine it is waited so long whether the other units fall asleep too."""
_ALIVE: Final = 0.5
"""The bus goes on where the others send at least this share of what they usually do."""
_FEW: Final = 50


@dataclass(slots=True)
class _Carrier:
    """Messages that belong together, and how long they are silent at most when all is well."""

    kind: str
    what: str
    codes: IntArray
    longest_s: float
    seen_until_ns: int
    open: Alarm | None = None


class AlarmWatch:
    """Looks at the newest seconds of a log again and again.

    Parameters
    ----------
    databases : sequence of Path
    profile : Profile
    """

    def __init__(self, databases: Sequence[Path], profile: Profile) -> None:
        self.alarms: dict[tuple[str, float], Alarm] = {}
        self._blocks: deque[FrameBlock] = deque()
        self._carriers: list[_Carrier] = []
        self._dips = SupplyDips(databases, profile)
        self._engine_runs = False

    @property
    def armed(self) -> bool:
        """Whether it is known which messages carry what: nothing rings before."""
        return bool(self._carriers)

    def learn(self, so_far: DecodedSoFar) -> None:
        """Take from the log so far which messages carry what, and how they come."""
        if self._carriers:
            return
        channels = so_far.timeline.channels
        if not channels or so_far.timeline.duration_s < 1.0:
            return
        self._dips.learn(channels)
        module = [channels[name] for name in channels if _is_of_module(channels[name])]
        newest_ns = self._newest_ns()
        if module:
            self._add("module", "the steering module", module, newest_ns)
        by_source: dict[int, list[Channel]] = {}
        for one in channels.values():
            by_source.setdefault(_code(one), []).append(one)
        for listed in by_source.values():
            names = ", ".join(one.name.replace("_", " ") for one in listed)
            self._add("lost", names, listed, newest_ns)

    def _add(self, kind: str, what: str, channels: Sequence[Channel], newest_ns: int) -> None:
        """Watch messages together; those seldom sent, or not regularly, are not watched."""
        by_code = {_code(one): one.time_s for one in channels}
        merged = np.sort(np.concatenate(list(by_code.values())))
        steps = np.diff(merged)
        if len(steps) < _FEW // 5:
            return
        usual = float(np.quantile(steps, 0.99))
        longest = max(SHORTEST_S, STANDS_OUT * usual)
        if kind == "lost":
            longest = max(longest, *(one.stale_after_s + usual for one in channels))
        codes = np.array(sorted(by_code), dtype=np.int64)
        self._carriers.append(_Carrier(kind, what, codes, longest, newest_ns))

    def _newest_ns(self) -> int:
        return max((int(one.time_ns[-1]) for one in self._blocks), default=0)

    def feed(self, blocks: Iterable[FrameBlock]) -> None:
        """Take the newest frames."""
        self._blocks.extend(blocks)
        oldest = self._newest_ns() - int(WINDOW_S * _NS)
        while self._blocks and int(self._blocks[0].time_ns[-1]) < oldest:
            self._blocks.popleft()

    def look(self, zero_ns: int, buses: Sequence[str]) -> tuple[Alarm, ...]:
        """Return all alarms so far, by moment; those that ended have their length."""
        if self._blocks and self._carriers:
            for alarm in self._dips.look(self._blocks, zero_ns, buses):
                self._note(alarm)
            self._engine_runs = self._dips.engine_runs
            time_ns = np.concatenate([one.time_ns for one in self._blocks])
            code = np.concatenate([_codes(one) for one in self._blocks])
            for carrier in self._carriers:
                for alarm in self._silences(carrier, time_ns, code, zero_ns):
                    self._note(alarm)
        return tuple(sorted(self.alarms.values(), key=lambda one: one.at_s))

    def _note(self, alarm: Alarm) -> None:
        """Keep an alarm, unless another tells the same silence already."""
        if alarm.kind == "lost" and any(
            one.kind in {"break", "restart"} and abs(one.at_s - alarm.at_s) <= SAME_S
            for one in self.alarms.values()
        ):
            return
        self.alarms[alarm.text, alarm.at_s] = alarm

    def _silences(
        self, carrier: _Carrier, time_ns: IntArray, code: IntArray, zero_ns: int
    ) -> Iterator[Alarm]:
        own = np.isin(code, carrier.codes)
        newest_ns = int(time_ns.max())
        seen = time_ns[own & (time_ns > carrier.seen_until_ns)]
        points = np.concatenate(([carrier.seen_until_ns], np.sort(seen)))
        others = time_ns[~own]
        for row in np.flatnonzero(np.diff(points) >= carrier.longest_s * _NS):
            begin, end = int(points[row]), int(points[row + 1])
            if carrier.open is not None:
                yield replace(carrier.open, lasted_s=(end - begin) / _NS)
                carrier.open = None
            elif _goes_on(others, begin, min(end, begin + int(KEY_S * _NS))):
                yield _alarm(carrier, begin, end, zero_ns)
        carrier.seen_until_ns = int(points[-1])
        lasting_s = (newest_ns - carrier.seen_until_ns) / _NS
        patience_s = LASTING_S if self._engine_runs else KEY_S
        if (
            carrier.open is None
            and lasting_s >= max(patience_s, carrier.longest_s)
            and _goes_on(others, carrier.seen_until_ns, newest_ns)
            and lasting_s < WINDOW_S / 2
        ):
            carrier.open = _alarm(carrier, carrier.seen_until_ns, None, zero_ns)
            yield carrier.open


SAME_S: Final = 0.5
"""A message's silence that begins this close to the module's is part of it."""


def _alarm(carrier: _Carrier, begin_ns: int, end_ns: int | None, zero_ns: int) -> Alarm:
    at_s = (begin_ns - zero_ns) / _NS
    lasted_s = None if end_ns is None else (end_ns - begin_ns) / _NS
    kind = carrier.kind
    if kind == "module":
        kind = "break" if lasted_s is not None and lasted_s < RESTART_S else "restart"
    return Alarm(kind=kind, at_s=at_s, lasted_s=lasted_s, text=carrier.what)


def _goes_on(others: IntArray, begin_ns: int, end_ns: int) -> bool:
    """Tell whether the other units went on sending meanwhile as they did before."""
    before = others[(others < begin_ns) & (others >= begin_ns - 2 * _NS)]
    if len(before) < 2:  # noqa: PLR2004 - a rate needs two
        return False
    rate = len(before) / max(begin_ns - int(before[0]), 1)
    inside = int(np.count_nonzero((others > begin_ns) & (others < end_ns)))
    return inside >= 1 and inside >= _ALIVE * rate * (end_ns - begin_ns)


def _is_of_module(channel: Channel) -> bool:
    return channel.name in MODULE_CHANNELS and not channel.stands_in


def _code(channel: Channel) -> int:
    return channel.source.bus << 32 | channel.source.key


def _codes(block: FrameBlock) -> IntArray:
    codes: IntArray = block.bus.astype(np.int64) << 32 | block.key.astype(np.int64)
    return codes
