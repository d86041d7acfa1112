"""How the steering module reduces assist by itself: lines, hysteresis, rates."""

from __future__ import annotations

import math
from typing import Final

from canassist.demo.plant.vehicle import ProtectionRule

STEP_PCT: Final = 0.5
"""The module sets its limit in steps of this, and says so on the bus."""


def taper(value: float, full: float, none: float) -> float:
    """Return 1 at ``full`` and before, 0 at ``none`` and beyond, a straight line between."""
    share = (none - value) / (none - full)
    return 0.0 if share < 0.0 else min(share, 1.0)


def play(held: float, value: float, width: float) -> float:
    """Return the held value after backlash: it lags a falling ``value`` by ``width``."""
    if value > held:
        return value
    return min(held, value + width)


class LimitState:
    """What the module allows, cause by cause, in percent; the lowest one holds.

    Each cause moves no faster than the module's two rates.
    """

    __slots__ = (
        "_down",
        "_held_c",
        "_held_v",
        "_rule",
        "_smooth_v",
        "_up",
        "_voltage_share",
        "engine",
        "heat",
        "high",
        "low",
        "speed",
        "unexplained",
    )

    def __init__(
        self, rule: ProtectionRule, *, step_s: float, start_c: float, start_v: float, running: bool
    ) -> None:
        self._rule = rule
        self._down = rule.down_pct_per_s * step_s
        self._up = rule.up_pct_per_s * step_s
        self._voltage_share = min(step_s / rule.voltage_tau_s, 1.0)
        self._held_c = start_c
        self._held_v = -start_v
        self._smooth_v = start_v
        self.heat = 100.0 * taper(start_c, rule.start_c, rule.zero_c)
        self.low = self.high = self.speed = self.unexplained = 100.0
        self.engine = 100.0 if running else 0.0

    def step(
        self, stage_c: float, supply_v: float, speed_pct: float, engine_pct: float, other_pct: float
    ) -> float:
        """Move one step and return the assist limit in percent."""
        rule = self._rule
        self._held_c = play(self._held_c, stage_c, rule.hysteresis_c)
        self._smooth_v += (supply_v - self._smooth_v) * self._voltage_share
        self._held_v = play(self._held_v, -self._smooth_v, rule.hysteresis_v)
        self.heat = self._towards(self.heat, taper(self._held_c, rule.start_c, rule.zero_c))
        self.low = self._towards(self.low, taper(self._held_v, -rule.start_v, -rule.zero_v))
        self.high = self._towards(self.high, taper(self._smooth_v, rule.high_v, rule.high_zero_v))
        self.speed = self._towards(self.speed, speed_pct / 100.0)
        self.engine = self._towards(self.engine, engine_pct / 100.0)
        self.unexplained = self._towards(self.unexplained, other_pct / 100.0)
        lowest = min(self.heat, self.low, self.high, self.speed, self.engine, self.unexplained)
        return math.floor(lowest / STEP_PCT + 0.5) * STEP_PCT

    def _towards(self, now: float, share: float) -> float:
        wish = 100.0 * share
        if wish < now - self._down:
            return now - self._down
        return min(wish, now + self._up)
