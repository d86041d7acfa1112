"""The table of `canassist channels`: fits a terminal, says each verdict, and what to do next."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canassist.channel_list import WIDTH, ChannelEntry, ChannelList, of_databases
from canassist.model import CHANNEL_UNITS, Channel, DatabaseFit, FrameSource
from tests.decode.invented_ride import database


def channel(name: str, **changes: object) -> Channel:
    plain = Channel(
        name=name,
        unit=CHANNEL_UNITS[name],
        time_s=np.arange(10.0),
        value=np.arange(10.0),
        signal="Message.Signal",
        source=FrameSource(0, 0x100),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]  # any field of a channel


def listing(*entries: ChannelEntry, reason: str = "") -> ChannelList:
    fit = DatabaseFit(known_ids=0.5, cyclic_known=0.6, in_bounds=1.0, reason=reason)
    return ChannelList(source="ride.log", entries=entries, ids=10, ids_known=5, fit=fit)


@pytest.mark.parametrize(
    ("entry", "verdict"),
    [
        (ChannelEntry(channel="vehicle_speed", taken=channel("vehicle_speed")), "taken"),
        (
            ChannelEntry(
                channel="vehicle_speed", taken=channel("vehicle_speed", not_checked=("unit",))
            ),
            "unchecked",
        ),
        (
            ChannelEntry(channel="driver_torque", taken=channel("driver_torque", unit_known=False)),
            "asked",
        ),
        (ChannelEntry(channel="vehicle_speed", doubt="A or B?"), "asked"),
        (
            ChannelEntry(
                channel="supply_voltage",
                taken=channel("supply_voltage", held_out="sits at 1.8 V"),
                doubt="sits at 1.8 V?",
            ),
            "held out",
        ),
        (ChannelEntry(channel="vehicle_speed"), "none"),
    ],
)
def test_each_channel_has_a_verdict(entry: ChannelEntry, verdict: str) -> None:
    assert entry.verdict == verdict


def test_every_line_fits_a_terminal() -> None:
    long = channel("vehicle_speed", signal="A" * 90 + "." + "B" * 90)
    text = listing(ChannelEntry(channel="vehicle_speed", taken=long)).as_text()
    assert max(len(line) for line in text.splitlines()) <= WIDTH
    for name in ("truck_long_names", "long_paths"):
        lines = of_databases(database(name)).as_text().splitlines()
        assert max(len(line) for line in lines) <= WIDTH, name


def test_a_question_shows_the_lines_that_mend_it() -> None:
    lines = '[channels.supply_voltage]\nsignal = "Message.Signal"\nscale = 0.001\n'
    taken = channel("supply_voltage", held_out="sits at 14200 V", profile_lines=lines)
    text = listing(ChannelEntry(channel="supply_voltage", taken=taken, doubt="V?")).as_text()
    assert "scale = 0.001" in text
    assert "Next: write the start of a profile" in text


def test_a_database_of_another_vehicle_is_said_on_top_and_next() -> None:
    text = listing(reason="It is not this vehicle's database.").as_text()
    assert "DOES NOT FIT" in text.splitlines()[1]
    assert "Next: give the database of this vehicle" in text


def test_a_witness_that_no_answer_rests_on_is_not_asked_about() -> None:
    wheel = channel("wheel_speed_rl", held_out="stays at 0", doubt="stays at 0: is it in use?")
    text = listing(
        ChannelEntry(channel="wheel_speed_rl", taken=wheel, doubt=wheel.doubt),
        ChannelEntry(channel="supply_voltage", doubt="A or B?"),
    ).as_text()
    assert "1. supply_voltage" in text
    assert "2." not in text
    assert "Left out as a witness" in text
