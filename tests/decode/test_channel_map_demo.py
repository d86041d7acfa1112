"""The demo vehicle's database, whose names were not made for this: right or openly in doubt."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canassist.pipeline import survey
from canassist.profile import default_profile, read_profile

if TYPE_CHECKING:
    from pathlib import Path

RIDES = (
    "healthy_mixed.log.gz",
    "hot_tight_turns.blf",
    "not_charging.log.gz",
    "second_vehicle.log.gz",
    "speed_lost.log.gz",
    "supply_resistance.blf",
    "torque_offset.asc.gz",
    "weak_battery.asc.gz",
)


@pytest.mark.parametrize("ride", RIDES)
def test_every_demo_ride_finds_its_channels_without_a_profile(
    project_root: Path, ride: str
) -> None:
    folder = project_root / "dbc_demo"
    truth = read_profile(folder / "demo_trail_vehicle.toml").channels
    decoded = survey(
        [project_root / "sample_logs" / ride],
        [folder / "demo_trail_vehicle.dbc"],
        default_profile(),
    ).decoded
    for name, channel in decoded.channels.items():
        assert channel.doubt or channel.signal == truth[name].signal, name
    sure = [name for name, one in decoded.channels.items() if not one.doubt]
    assert len(sure) >= len(truth) - 1  # one temperature's name says nothing of the outside air
