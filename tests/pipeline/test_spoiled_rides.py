"""What a recorder or a card did to a ride causes no event and no conclusion."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.bench.spoiled import SPOILED, SpoiledRide, frames_of, measure, recorded

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("way", SPOILED)
def test_a_short_recording_gives_nothing_new_when_spoiled(shared_data: Path, way: str) -> None:
    ride = SpoiledRide(
        name="lock_to_lock",
        frames=frames_of(shared_data / "car_e" / "steer_lock_to_lock.trc"),
        dbc=shared_data / "dbc" / "car_e_f_i.dbc",
        profile=shared_data / "profiles" / "car_e_f_i.toml",
    )
    (tally,) = measure(iter([ride]), [way]).values()
    assert (tally.rides, tally.clean) == (1, 1), tally


@pytest.mark.slow
def test_no_recording_gives_anything_new_when_spoiled(shared_data: Path) -> None:
    assert shared_data.is_dir()
    for way, tally in measure(recorded(), list(SPOILED)).items():
        assert tally.clean == tally.rides >= 18, (way, tally)
