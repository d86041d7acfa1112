"""How far two sides may be apart and still count as the same, from the profile's tolerances."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from canassist.model import FigureName

if TYPE_CHECKING:
    from canassist.model import Limits


class Margin(NamedTuple):
    """A margin in the unit of the difference, and the profile's limits that it comes from."""

    value: float
    origin: str
    limits: tuple[str, ...] = ()


def margins(limits: Limits) -> dict[FigureName, Margin]:
    """Return the margin of every figure.

    What a single ride may be off by (a tolerance) is halved: a smaller difference takes
    no vehicle from the middle of what is sound to its limit. Supply and onset may move by
    what costs the assist its tolerance; shares of time by what still counts as full assist.
    """
    quarter_v = (limits.overvoltage_v - limits.charging_v) / 4.0
    widths = (
        limits.derate_start_v - limits.derate_zero_v,
        limits.derate_zero_c - limits.derate_start_c,
    )
    # A curve of the profile may leave some assist for ever: then no width tells what costs it.
    cost_v, cost_k = (
        math.inf if math.isnan(width) else width * limits.assist_tolerance for width in widths
    )
    below_full = (100.0 - limits.full_assist_pct) / 100.0
    charge = ("charging_v", "overvoltage_v")
    line_v, line_c = ("derate_start_v", "derate_zero_v"), ("derate_start_c", "derate_zero_c")
    half_gain = Margin(limits.assist_tolerance / 2.0, "half of assist_tolerance")
    return {
        FigureName.ASSIST_GAIN: half_gain,
        FigureName.SIDE_DIFFERENCE: Margin(limits.side_tolerance / 2.0, "half of side_tolerance"),
        FigureName.TORQUE_OFFSET: Margin(limits.torque_offset_nm / 2.0, "half of torque_offset_nm"),
        FigureName.PATH_RESISTANCE: Margin(limits.max_circuit_ohm / 2.0, "half of max_circuit_ohm"),
        FigureName.CHARGING_VOLTAGE: Margin(
            quarter_v, "a quarter of the band from charging_v to overvoltage_v", charge
        ),
        FigureName.SUPPLY_UNDER_LOAD: Margin(
            cost_v, "what costs assist_tolerance between derate_start_v and derate_zero_v", line_v
        ),
        FigureName.HEATING: half_gain,
        FigureName.TIME_CONSTANT: Margin(limits.assist_tolerance, "assist_tolerance"),
        FigureName.DERATE_ONSET_TEMPERATURE: Margin(
            cost_k, "what costs assist_tolerance between derate_start_c and derate_zero_c", line_c
        ),
        FigureName.DERATE_ONSET_VOLTAGE: Margin(
            cost_v, "what costs assist_tolerance between derate_start_v and derate_zero_v", line_v
        ),
        FigureName.DERATED_SECONDS: Margin(
            60.0 * below_full, "a minute's share below full_assist_pct"
        ),
        FigureName.SIGNAL_QUALITY: Margin(below_full, "the share below full_assist_pct"),
    }
