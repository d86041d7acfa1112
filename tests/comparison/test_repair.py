"""Before and after a repair: gone, still there, or not shown."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from canassist.comparison import compare
from canassist.model import Code, Repair, RepairState, Result
from tests.bench.comparison import ridden
from tests.comparison.rides import after, faulty, gentle

CASES = (
    ("weak_battery", Code.LOW_BATTERY, 1),
    ("not_charging", Code.CHARGING_FAULT, 1),
    ("path_resistance", Code.SUPPLY_RESISTANCE, 1),
    ("short_breaks", Code.SUPPLY_BREAK, 3),
    ("overvoltage", Code.OVERVOLTAGE_FAULT, 4),
    ("speed_stops", Code.SPEED_SIGNAL_FAULT, 4),
    ("offset_right", Code.TORQUE_SENSOR_OFFSET, 1),
    ("assist_low_left", Code.ASSIST_MAP_DEVIATION, 1),
    ("module_derates", Code.MODULE_SUSPECT, 2),
    ("error_frames", Code.BUS_FAULT, 4),
)
"""A ride of each repairable fault; the last figure is how long B must ride to be sure."""


def said(before: Result, later: Result, code: Code) -> Repair:
    found = [
        item for item in compare(before, later, same_vehicle=True).repairs if item.code == code
    ]
    assert len(found) == 1
    return found[0]


@pytest.mark.parametrize(("name", "code", "times"), CASES, ids=[case[0] for case in CASES])
def test_each_repairable_fault_is_told_gone_still_there_or_not_shown(
    name: str, code: Code, times: int
) -> None:
    scenario = faulty(name)
    before = ridden(scenario)
    said_first = [item.code for item in before.conclusions if item.code is not Code.NO_FAULT_FOUND]
    assert said_first[0] is code  # behind "no fault found" where it took no assist
    gone = said(before, ridden(after(scenario, repaired=True, times=times)), code)
    still = said(before, ridden(after(scenario, repaired=False)), code)
    open_ = said(before, ridden(gentle(scenario)), code)
    assert gone.state is RepairState.REPAIRED, gone
    assert still.state is RepairState.NOT_REPAIRED, still
    assert open_.state is RepairState.NOT_SHOWN, open_
    assert open_.ridden


def test_a_fault_that_comes_now_and_then_needs_a_longer_ride() -> None:
    """Some losses in three minutes, none in a shorter ride: that is no proof."""
    scenario = faulty("speed_stops")
    before = ridden(scenario)
    later = after(scenario, repaired=True)
    later = replace(later, stretches=later.stretches[:6])
    short = said(before, ridden(later), Code.SPEED_SIGNAL_FAULT)
    assert short.state is RepairState.NOT_SHOWN
    more = re.search(r"Ride (\d+) min more", short.ridden)
    assert more is not None
    assert int(more.group(1)) >= 1


def test_a_sound_vehicle_has_nothing_to_be_repaired(healthy: tuple[Result, Result]) -> None:
    assert compare(*healthy).repairs == ()
