"""Of a ride of which the recording is but a part, less is said."""

from __future__ import annotations

from dataclasses import replace

import pytest

from canassist.model import BLAMELESS, Code, Physics, Strength
from tests.conclude.hand_made import HandMade, constant, derate, dip, lines, path, ridden

LOW = HandMade(
    channels=ridden(),
    events=(dip("steering_load"), derate("voltage")),
    physics=Physics(limit_lines=lines(), supply_path=path(0.050, 0.045, 0.056)),
)
UNEXPLAINED = HandMade(
    events=(derate("unexplained"), derate("unexplained", 150.0)),
    physics=Physics(limit_lines=lines("assumed")),
)


def _strengths(ride: HandMade) -> dict[Code, Strength | None]:
    return {one.code: one.strength for one in ride.verdict().conclusions}


def test_nothing_is_blamed_strongly_on_a_cut_ride() -> None:
    whole, cut = _strengths(LOW), _strengths(replace(LOW, cut=True))
    assert Strength.STRONG in {one for code, one in whole.items() if code not in BLAMELESS}
    assert Strength.STRONG not in {one for code, one in cut.items() if code not in BLAMELESS}
    assert set(cut) <= set(whole)


@pytest.mark.parametrize(
    "part", [{"cut": True}, {"recording_gaps": ((200.0, 204.0),)}], ids=["cut", "hole"]
)
def test_a_weak_blame_is_not_told_of_a_part(part: dict[str, object]) -> None:
    assert _strengths(UNEXPLAINED)[Code.MODULE_SUSPECT] is Strength.WEAK
    ride = replace(UNEXPLAINED, **part)  # type: ignore[arg-type]  # fields by name
    assert list(_strengths(ride)) == [Code.INCONCLUSIVE]


def test_a_hole_of_next_to_nothing_takes_no_blame_back() -> None:
    ride = replace(UNEXPLAINED, recording_gaps=((200.0, 201.0),))
    assert _strengths(ride)[Code.MODULE_SUSPECT] is Strength.WEAK


def _at_rest() -> HandMade:
    channels = ridden()
    channels["vehicle_speed"].value[-50:] = 0.0
    return HandMade(channels=channels)


def test_a_sound_ride_cut_at_rest_is_free_of_faults_but_not_strongly() -> None:
    assert _strengths(replace(_at_rest(), cut=True)) == {Code.NO_FAULT_FOUND: Strength.MODERATE}


def test_a_ride_cut_while_it_rolled_is_not_free_of_faults() -> None:
    """What ended the recording may be what the customer complains of."""
    assert list(_strengths(replace(HandMade(), cut=True))) == [Code.INCONCLUSIVE]
    assert list(_strengths(HandMade())) == [Code.NO_FAULT_FOUND]


def test_a_cut_ride_with_a_fault_beside_is_not_free_of_faults() -> None:
    """The rest may have shown that the path takes assist."""
    beside = HandMade(
        channels=ridden() | {"supply_voltage": constant("supply_voltage", 13.9)},
        events=(dip("steering_load"),),
        physics=LOW.physics,
    )
    assert _strengths(beside)[Code.NO_FAULT_FOUND]
    cut = replace(beside, cut=True).verdict()
    assert cut.conclusions[0].code is Code.INCONCLUSIVE
    assert "ends in the middle" in cut.conclusions[0].because[0].text
    assert "cut off" in cut.conclusions[0].headline
    assert Code.NO_FAULT_FOUND not in {one.code for one in cut.conclusions}


def test_a_ride_with_holes_and_a_fault_beside_is_not_free_of_faults() -> None:
    beside = HandMade(
        channels=ridden() | {"supply_voltage": constant("supply_voltage", 13.9)},
        events=(dip("steering_load"),),
        physics=LOW.physics,
    )
    holes = replace(beside, recording_gaps=((200.0, 204.0),)).verdict()
    assert holes.conclusions[0].code is Code.INCONCLUSIVE
    assert "not in this recording" in holes.conclusions[0].because[0].text
    assert "missed parts" in holes.conclusions[0].headline
    assert Code.SUPPLY_RESISTANCE in {one.code for one in holes.conclusions}
