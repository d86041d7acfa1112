"""The moment at which assist falls, and what stands there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.physics import FULL_PCT, has_engine, temperature_line_pct
from canassist.timeline import TIME_STEP_S

if TYPE_CHECKING:
    from canassist.detect.derate.derate_scene import AtFullAssist, DerateScene, Rests
    from canassist.model import Channel, FloatArray

WINDOW_S: Final = 1.0
"""A trigger stands this long before assist falls ... (the contract's figure)."""

WINDOW_PERIODS: Final = 2.0
"""... or this many periods of the slowest channel asked, where that is longer."""

WINDOW_MOST_S: Final = 5.0
"""A channel slower than half of this is not asked at the onset."""

FALL_BACK_S: Final = 10.0
"""An onset is followed back to where the fall began for this long."""

LEVEL_PCT: Final = 0.5
"""A limit that moves by less from sample to sample stays."""

TOLERANCE_K: Final = 1.0
TOLERANCE_V: Final = 0.1
"""A limit counts as reached this short of it: steps and noise of a sensor, common practice, no
source. Volts are for 12 V."""

LINE_SHARE: Final = 0.10
"""A given line may be wrong by this share."""

SETTLED_S: Final = 5.0
DIP_V: Final = 1.0
"""Supply dips where it lies this far below its middle of so long before; volts are for 12 V."""

FAST_S: Final = 0.12
"""A supply sampled at least this often shows any dip that a module debounces: common practice, no
source."""

RAMP_SAMPLES: Final = 3.0
"""... and one that has so many samples in a slow fall shows what went with it."""

SLOWEST_S: Final = {
    "module_temperature": 5.0,
    "vehicle_speed": 0.5,
    "engine_speed": 0.5,
    "driver_torque": 0.25,
    "motor_current": 1.0,
    "module_current": 1.0,
    "assist_torque": 1.0,
}
"""Slower than this, a channel cannot tell what stood at an onset: common practice, no source. A
module warms by less than a kelvin a second."""

LOAD_CHANNELS: Final = ("motor_current", "module_current", "assist_torque")
"""What tells how hard the module works, best first (the contract's order)."""

INPUT_CHANNELS: Final = ("vehicle_speed", "driver_torque")
"""What the module takes in besides supply, temperature and engine speed."""

RESTS_S: Final = 60.0
RESTS_TIMES: Final = 3.0
RESTS_LEAST: Final = 3
"""A temperature that repeats one value for longer than this, and than so many times its longest
other rest, may be stuck: common practice, no source."""

SAME_EPISODES: Final = 3
"""What stood at full assist so many times, and twice as often as at an onset, is no trigger."""

SAME_S: Final = 30.0
"""... or for this long in all."""

EPISODE_S: Final = 1.0
"""Samples closer together than this are one episode."""


class Onset(NamedTuple):
    """A reduction's first sample, and the window in which its trigger stands, in s.

    ``seen`` is False where the fall itself is not in the log: at its begin, or after a gap.
    """

    row: int
    at_s: float
    fall_s: float
    from_s: float
    to_s: float
    seen: bool

    @property
    def window_s(self) -> tuple[float, float]:
        """Return the window's ends."""
        return self.from_s, self.to_s

    @property
    def lasts_s(self) -> float:
        """Return how long the fall took to the first sample below full assist."""
        return self.at_s - self.fall_s


def onset_of(scene: DerateScene, row: int) -> Onset:
    """Return the onset of a reduction whose first sample is `row`."""
    time_s, level = scene.time_s, scene.assist.available_pct
    stale_s = scene.assist.stale_after_s + TIME_STEP_S
    first = row
    while first > 0 and time_s[row] - time_s[first - 1] <= FALL_BACK_S:
        if time_s[first] - time_s[first - 1] > stale_s:
            break
        before, now = level[first - 1], level[first]
        if first < row and before <= now + LEVEL_PCT:
            break
        first -= 1
    seen = first < row
    fall_s, at_s = float(time_s[first]), float(time_s[row])
    from_s = fall_s - _window_s(scene)
    return Onset(row, at_s, fall_s, from_s, at_s + TIME_STEP_S, seen)


def _window_s(scene: DerateScene) -> float:
    names = ("supply_voltage", "module_temperature", *SPEED_NAMES)
    periods = [one.period_s for name in names if (one := scene.timeline.get(name)) is not None]
    known = [p for p in periods if WINDOW_PERIODS * p <= WINDOW_MOST_S]
    return max([WINDOW_S, *(WINDOW_PERIODS * period for period in known)])


SPEED_NAMES: Final = ("vehicle_speed", "engine_speed")


def values_within(channel: Channel | None, window_s: tuple[float, float]) -> FloatArray:
    """Return a channel's values in a window, the one that held at its begin included."""
    if channel is None:
        return np.empty(0)
    first, stop = np.searchsorted(channel.time_s, window_s, side="right")
    if first > 0 and window_s[0] - channel.time_s[first - 1] <= channel.stale_after_s:
        first -= 1
    value = channel.value[first:stop]
    return np.asarray(value[~np.isnan(value)])


def standing_triggers(
    scene: DerateScene, onset: Onset, *, back_row: int | None = None
) -> tuple[str, ...]:
    """Return what stands at an onset, by the contract's words.

    What also stands at many moments of full assist is a coincidence and left out. So is a
    stopped engine where assist is back (at `back_row`) with the engine still stopped.
    """
    found = []
    needs_engine = back_row is None or not scene.engine_off[back_row]
    if needs_engine and _engine_off(scene, onset):
        found.append("engine_stopped")
    if scene.too_high[_rows(scene, onset)].any():
        found.append("overvoltage")
    if scene.bad_within(frozenset(SPEED_NAMES), onset.window_s) and not _often_bad(scene):
        found.append("speed_signal")
    if _hot(scene, onset):
        found.append("temperature")
    if _low(scene, onset):
        found.append("voltage")
    return tuple(found)


def _rows(scene: DerateScene, onset: Onset) -> slice:
    first, stop = np.searchsorted(scene.time_s, onset.window_s)
    return slice(int(first), max(int(stop), onset.row + 1))


def _engine_off(scene: DerateScene, onset: Onset) -> bool:
    """Tell whether the engine stands at the onset, or stopped just before."""
    if scene.engine_off[onset.row]:
        return True
    stopped = [s for s in scene.life.engine_stops_s if onset.from_s <= s <= onset.to_s]
    started = [s for s in scene.life.engine_starts_s if onset.from_s <= s <= onset.to_s]
    return bool(stopped) and max(stopped) > max(started, default=-np.inf)


def _hot(scene: DerateScene, onset: Onset) -> bool:
    values = values_within(scene.timeline.get("module_temperature"), onset.window_s)
    if not len(values):
        return False
    hottest = float(values.max())
    # A curve may also leave less assist in the cold.
    left_pct = temperature_line_pct(
        np.array([hottest - TOLERANCE_K, hottest, hottest + TOLERANCE_K]), scene.lines
    )
    if not (left_pct < FULL_PCT).any():
        return False
    return hottest < scene.lines.derate_start_c - TOLERANCE_K or not _coincides(
        scene, scene.heat_at_full, hottest
    )


def _low(scene: DerateScene, onset: Onset) -> bool:
    if not scene.supply_line_holds:
        return False
    values = values_within(scene.timeline.get("supply_voltage"), onset.window_s)
    if not len(values):
        return False
    lowest, tolerance_v = float(values.min()), TOLERANCE_V * scene.volt_share
    if lowest > scene.lines.derate_start_v + tolerance_v:
        return _dips_near_line(scene, onset, lowest)
    return not _coincides(scene, scene.supply_at_full, -lowest)


def _dips_near_line(scene: DerateScene, onset: Onset, lowest_v: float) -> bool:
    """Tell whether supply dips to near its line as assist falls, and never so low at full assist.

    A given line may be a little off; what asks for the loss is the dip all the same.
    """
    if lowest_v > (1.0 + LINE_SHARE) * scene.lines.derate_start_v:
        return False
    before = (onset.from_s - SETTLED_S, onset.from_s)
    level = values_within(scene.timeline.get("supply_voltage"), before)
    if not len(level) or float(np.median(level)) - lowest_v < DIP_V * scene.volt_share:
        return False
    elsewhere = (scene.time_s < onset.from_s) | (scene.time_s > onset.to_s)
    return not (elsewhere & scene.full & ~scene.engine_off & (scene.supply_v <= lowest_v)).any()


def _coincides(scene: DerateScene, at_full: AtFullAssist, at_onset: float) -> bool:
    """Tell whether a value as bad as at this onset also stood at many moments of full assist."""
    count = int(np.searchsorted(at_full.mildness, -at_onset, side="right"))
    if not count:
        return False
    if at_full.lasted_s[count - 1] >= SAME_S:
        return True
    times = scene.time_s[np.sort(at_full.rows[:count])]
    episodes = 1 + int((np.diff(times) > EPISODE_S).sum())
    # An episode that a fall follows is an onset's own way in.
    before = np.searchsorted(times, scene.falls_s - EPISODE_S, side="right")
    followed = int((np.searchsorted(times, scene.falls_s, side="right") > before).sum())
    untouched = episodes - followed
    return untouched >= SAME_EPISODES and untouched >= 2 * max(followed, 1)


def _often_bad(scene: DerateScene) -> bool:
    """Tell whether a speed was bad at full assist again and again, and nothing followed."""
    spans = [(a, b) for name, a, b in scene.bad_spans if name in SPEED_NAMES]
    harmless = sum(_full_throughout(scene, a, b) for a, b in spans)
    return harmless >= SAME_EPISODES and harmless >= 2 * max(len(spans) - harmless, 1)


def _full_throughout(scene: DerateScene, start_s: float, end_s: float) -> bool:
    first, stop = np.searchsorted(scene.time_s, (start_s, end_s + 2.0 * WINDOW_S))
    return bool(stop > first and scene.full[first:stop].all())


def missing_channels(scene: DerateScene, onset: Onset) -> tuple[str, ...]:
    """Return the channels that are missing, doubted or too slow to say "nothing explains it".

    Temperature, supply, the module's inputs, engine speed where there may be an engine, and
    motor load must each have a value in the onset's window.
    """
    names = ["supply_voltage", "module_temperature", *INPUT_CHANNELS]
    if has_engine(scene.timeline, scene.profile) is not False:
        names.append("engine_speed")
    missing = [name for name in names if not _tells(scene, name, onset)]
    if not any(_tells(scene, name, onset) for name in LOAD_CHANNELS):
        missing.append(next((n for n in LOAD_CHANNELS if scene.timeline.has(n)), "motor_current"))
    return tuple(missing)


def _tells(scene: DerateScene, name: str, onset: Onset) -> bool:
    channel = scene.timeline.get(name)
    if channel is None or channel.stands_in or channel.doubt:
        return False
    slowest_s = SLOWEST_S.get(name, max(FAST_S, onset.lasts_s / RAMP_SAMPLES))
    if not channel.period_s <= slowest_s + TIME_STEP_S:
        return False
    if scene.bad_within(frozenset({name}), onset.window_s):
        return False
    if name == "module_temperature" and rests_oddly(scene.temperature_rests, onset.at_s):
        return False
    return bool(len(values_within(channel, onset.window_s)))


def rests_oddly(rests: Rests, at_s: float) -> bool:
    """Tell whether a channel's value at a moment rests far longer than it ever does elsewhere.

    Such a reading may be stuck, though no other channel proves it: it excludes nothing.
    """
    begin_s, lasts_s = rests
    if len(begin_s) < RESTS_LEAST:
        return False  # it rests always, as a well cooled module may
    own = int(np.searchsorted(begin_s, at_s, side="right")) - 1
    others = max(lasts_s[:own].max(initial=0.0), lasts_s[own:][1:].max(initial=0.0))
    return bool(lasts_s[own] >= max(RESTS_S, RESTS_TIMES * others))
