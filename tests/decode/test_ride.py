"""From frames to channels: what a profile names, units, gaps, senders and complaints."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canassist.decode import DecodedRide, decode_ride, load_databases, plan_reading
from canassist.decode.build_channels import ChannelBuilder
from canassist.decode.candidates import Candidate, ChannelChoice
from canassist.decode.standards.j1939 import j1939_buses
from canassist.errors import ProfileError
from canassist.model import FrameSource, Problem, RunnerUp
from canassist.profile import default_profile, parse_profile
from tests.decode.hand_frames import Line, extended, ride, stats_of

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.decode import Databases
    from canassist.model import BusStats, Channel

DATABASE = """VERSION ""
BU_: Steering Body
BO_ 256 Motion: 8 Body
 SG_ Road : 0|16@1+ (0.01,0) [0|300] "m/s" Steering
 SG_ Revs : 16|16@1+ (1,0) [0|0] "" Steering
BO_ 272 Helper: 4 Steering
 SG_ State : 0|3@1+ (1,0) [0|0] "" Body
 SG_ Volt : 8|8@1+ (0.1,0) [0|0] "V" Body
 SG_ Effort : 16|16@1- (1,0) [0|0] "" Body
BO_ 288 Paged: 8 Steering
 SG_ Page M : 0|4@1+ (1,0) [0|0] "" Body
 SG_ Heat m2 : 8|8@1+ (1,-40) [0|0] "degC" Body
BO_ 304 Counted: 8 Steering
 SG_ Count : 0|4@1+ (1,0) [0|0] "" Body
 SG_ Check : 8|8@1+ (1,0) [0|0] "" Body
 SG_ Part : 16|4@1+ (1,0) [0|0] "" Body
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 288 400;
VAL_ 272 State 0 "Off" 1 "Limited" 2 "Full" 7 "SNA" ;
"""


@pytest.fixture
def databases(tmp_path: Path) -> Databases:
    path = tmp_path / "bike.dbc"
    path.write_text(DATABASE)
    return load_databases([path])


def decoded(databases: Databases, profile_text: str, *lines: Line, bus: int = 0) -> DecodedRide:
    profile = parse_profile(profile_text, "bike.toml")
    frames = ride(*lines, bus=bus)
    return decode_ride(frames, plan_reading(databases, profile), profile, stats_of(frames))


def motion(*speeds: int, step_s: float = 0.1) -> list[Line]:
    return [
        (step_s * number, f"100#{speed.to_bytes(2, 'little').hex()}E80300000000")
        for number, speed in enumerate(speeds)
    ]


def test_a_named_channel_is_converted_from_the_databases_unit(databases: Databases) -> None:
    found = decoded(databases, '[channels]\nvehicle_speed = "Motion.Road"', *motion(0, 1000))
    speed = found.channels["vehicle_speed"]
    assert speed.value.tolist() == [0.0, 36.0]  # 10 m/s
    assert (speed.unit, speed.signal, speed.chosen_by) == ("km/h", "Motion.Road", "profile")
    assert (speed.sender, speed.source) == ("Body", FrameSource(0, 0x100))


def test_road_speed_is_never_negative(databases: Databases) -> None:
    """Some buses give speed a sign in reverse."""
    text = '[channels]\nvehicle_speed = { signal = "Helper.Effort", scale = 0.5 }'
    lines = [(0.1 * n, f"110#0282{value}") for n, value in enumerate(("0A00", "F6FF"))]
    assert decoded(databases, text, *lines).channels["vehicle_speed"].value.tolist() == [5.0, 5.0]


def test_the_profiles_scale_stands_in_place_of_the_conversion(databases: Databases) -> None:
    text = (
        '[channels.vehicle_speed]\nsignal = "Motion.Road"\nscale = 2.0\noffset = 1.0\n'
        "invalid = [10.0]\nstale_after_s = 7.0\n"
    )
    speed = decoded(databases, text, *motion(0, 500, 1000)).channels["vehicle_speed"]
    assert speed.value[:2].tolist() == [1.0, 11.0]  # 5 in the database's unit: 5 * 2 + 1
    assert np.isnan(speed.value[2])  # 10 before scale and offset
    assert speed.left_out == {"profile says no value": 1}
    assert speed.stale_after_s == 7.0


@pytest.mark.parametrize(("step_s", "stale_s"), [(0.01, 0.25), (0.1, 0.5), (1.0, 5.0)])
def test_a_value_is_stale_after_five_periods_and_never_before_a_quarter_second(
    databases: Databases, step_s: float, stale_s: float
) -> None:
    lines = motion(*range(10), step_s=step_s)
    speed = decoded(databases, '[channels]\nvehicle_speed = "Motion.Road"', *lines)
    assert speed.channels["vehicle_speed"].stale_after_s == pytest.approx(stale_s)
    assert speed.channels["vehicle_speed"].period_s == pytest.approx(step_s)


def test_a_single_sample_goes_by_the_databases_cycle_time(databases: Databases) -> None:
    found = decoded(databases, '[channels]\nmodule_temperature = "Paged.Heat"', (0.0, "120#0279"))
    assert found.channels["module_temperature"].stale_after_s == pytest.approx(2.0)


def test_a_multiplexed_channel_has_samples_only_where_it_is_present(databases: Databases) -> None:
    lines = [(0.1 * n, f"120#{n % 4:02X}{50 + n:02X}000000000000") for n in range(12)]
    heat = decoded(databases, '[channels]\nmodule_temperature = "Paged.Heat"', *lines)
    channel = heat.channels["module_temperature"]
    assert channel.time_s.tolist() == pytest.approx([0.2, 0.6, 1.0])
    assert channel.value.tolist() == [50 + n - 40 + 30 for n in (2 - 30, 6 - 30, 10 - 30)]
    assert channel.period_s == pytest.approx(0.4)


def test_a_text_channel_keeps_numbers_and_their_words(databases: Databases) -> None:
    lines = [(0.0, "110#02FF0000"), (0.1, "110#01FF0000"), (0.2, "110#07FF0000")]
    found = decoded(databases, '[channels]\nmodule_status = "Helper.State"', *lines)
    status = found.channels["module_status"]
    assert [status.text_at(row) for row in range(2)] == ["Full", "Limited"]
    assert np.isnan(status.value[2])
    assert status.left_out == {"value table says no value": 1}


def test_a_raw_count_without_unit_is_said_to_be_one(databases: Databases) -> None:
    lines = [(0.1 * n, f"110#0282{(200 * n).to_bytes(2, 'little').hex()}") for n in range(5)]
    text = '[channels]\ndriver_torque = "Helper.Effort"\nengine_speed = "Motion.Revs"'
    found = decoded(databases, text, *lines, *motion(1, 2))
    assert not found.channels["driver_torque"].unit_known
    assert found.channels["engine_speed"].unit_known  # no unit either, but it can be one
    assert any("raw count" in problem.what for problem in found.problems)
    scaled = text.replace(
        'driver_torque = "Helper.Effort"',
        'driver_torque = { signal = "Helper.Effort", scale = 0.01 }',
    )
    assert decoded(databases, scaled, *lines).channels["driver_torque"].unit_known


def test_a_named_signal_without_frames_is_said_and_not_replaced(databases: Databases) -> None:
    lines = [(0.0, "7E8#03410D3C"), (1.0, "7E8#03410D3C")]
    found = decoded(databases, '[channels]\nvehicle_speed = "Motion.Road"', *lines)
    assert "vehicle_speed" not in found.channels
    assert any("no frame of it is in the log" in problem.what for problem in found.problems)


def test_values_outside_the_databases_range_are_told_of(databases: Databases) -> None:
    lines = motion(100, 60_000, 60_000)
    found = decoded(databases, '[channels]\nvehicle_speed = "Motion.Road"', *lines)
    assert found.channels["vehicle_speed"].left_out == {"outside the database's range": 2}
    assert any("2 of 3 values lie outside" in problem.what for problem in found.problems)


def test_a_standards_own_name_may_stand_in_a_profile(databases: Databases) -> None:
    lines = [(1.0 * n, f"7E8#03410D{10 * n:02X}") for n in range(4)]
    text = (
        '[channels.vehicle_speed]\nsignal = "OBD.PID_0D"\nscale = 2.0\ninvalid = [30]\n'
        "stale_after_s = 9.0\n"
    )
    speed = decoded(databases, text, *lines).channels["vehicle_speed"]
    assert speed.chosen_by == "profile"
    assert speed.value[:3].tolist() == [0.0, 20.0, 40.0]
    assert np.isnan(speed.value[3])
    assert speed.stale_after_s == 9.0


def test_standards_serve_what_the_profile_leaves_open(databases: Databases) -> None:
    lines = [
        *[(1.0 * n, "7E8#04410C1AF8") for n in range(3)],
        *[(0.1 * n, "0CF00400#F07D7D803E0000FF") for n in range(30)],
        (0.0, "18FEF100#FF0019FFFFFFFFFF"),
    ]
    found = decoded(databases, "", *lines)
    revs = found.channels["engine_speed"]
    assert (revs.signal, revs.chosen_by) == ("J1939.SPN_190", "standard")  # before polled replies
    assert found.channels["vehicle_speed"].signal == "J1939.SPN_84"
    assert found.senders[FrameSource(0, extended(0x0CF00400))] == "address 00"


def test_another_units_voltage_stands_in_for_the_modules_supply(databases: Databases) -> None:
    lines = [(1.0 * n, "7E8#04414237DC") for n in range(3)]
    channels = decoded(databases, "", *lines).channels
    assert channels["system_voltage"].value.tolist() == [14.3] * 3
    assert not channels["system_voltage"].stands_in
    assert channels["supply_voltage"].value.tolist() == [14.3] * 3
    assert channels["supply_voltage"].stands_in
    own = [(0.1 * n, "110#028C0000") for n in range(3)]
    text = '[channels]\nsupply_voltage = "Helper.Volt"'
    supply = decoded(databases, text, *lines, *own).channels["supply_voltage"]
    assert supply.value.tolist() == pytest.approx([14.0] * 3)
    assert not supply.stands_in


def choice_of(databases: Databases, lines: list[Line], **fields: object) -> list[Channel]:
    """Build what a hand-made choice of the effort signal for driver torque says."""
    profile = default_profile()
    frames = ride(*lines)
    builder = ChannelBuilder(frames, plan_reading(databases, profile), stats_of(frames))
    ((message, signal),) = databases.find("Helper.Effort")
    candidate = Candidate(channel="driver_torque", message=message, signal=signal)
    (measured,) = builder.measure({"driver_torque": [candidate]})["driver_torque"]
    choice = replace(ChannelChoice(channel="driver_torque", chosen=measured), **fields)  # type: ignore[arg-type]  # a test's own fields
    return list(builder.from_choices([choice]).values())


def test_a_choice_is_applied_as_it_says(databases: Databases) -> None:
    lines = [(0.1 * n, f"110#0282{(10 * n).to_bytes(2, 'little').hex()}") for n in range(3)]
    second = RunnerUp(signal="A.B", why="slower")
    (channel,) = choice_of(
        databases,
        lines,
        scale=-0.5,
        offset=1.0,
        chosen_by="behaviour",
        sign_known=False,
        runner_up=second,
    )
    assert channel.value.tolist() == [1.0, -4.0, -9.0]
    assert (channel.chosen_by, channel.sign_known, channel.runner_up) == (
        "behaviour",
        False,
        second,
    )
    assert channel.unit_known  # no unit, but it can be N·m


def test_a_chosen_raw_count_is_said_to_be_one(databases: Databases) -> None:
    lines = [(0.1 * n, f"110#0282{(300 * n).to_bytes(2, 'little').hex()}") for n in range(3)]
    (channel,) = choice_of(databases, lines)
    assert not channel.unit_known


def test_a_question_left_open_is_told(databases: Databases) -> None:
    profile = default_profile()
    frames = ride(*motion(1, 2))
    builder = ChannelBuilder(frames, plan_reading(databases, profile), stats_of(frames))
    choice = ChannelChoice(channel="driver_torque", doubt="A.B or C.D?")
    assert builder.from_choices([choice]) == {}
    assert builder.problems == [Problem("channel driver_torque", "A.B or C.D?")]


def test_of_two_buses_the_one_with_values_is_taken(databases: Databases) -> None:
    profile = parse_profile('[channels]\nvehicle_speed = "Motion.Road"', "bike.toml")
    frames = {
        **ride((0.0, "100#FFFF000000000000")),
        **ride((0.0, "100#0010000000000000"), bus=1),
    }
    plan = plan_reading(databases, profile)
    speed = decode_ride(frames, plan, profile, stats_of(frames)).channels["vehicle_speed"]
    assert speed.source.bus == 1


def test_known_identifiers_are_counted_and_a_misfit_is_said(databases: Databases) -> None:
    strangers = [(0.01 * n, f"{0x400 + n % 29:03X}#00") for n in range(300)]
    found = decoded(databases, "", *motion(1, 2), *strangers)
    assert found.ids_known == 1
    assert found.fit is not None
    assert found.fit.known_ids == pytest.approx(1 / 30)
    assert found.fit.reason
    assert any(one.what == found.fit.reason for one in found.problems)


def test_a_log_with_hardly_a_cyclic_message_tells_nothing_of_the_database(
    databases: Databases,
) -> None:
    found = decoded(databases, "", *motion(1))
    assert found.fit is not None
    assert not found.fit.reason


def test_a_log_of_garbage_identifiers_is_not_gone_through_once_for_each(
    databases: Databases, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Damage can name a hundred thousand; each look at all of them must be one of a few."""
    looks = 0

    def counted(stats: BusStats) -> frozenset[int]:
        nonlocal looks
        looks += 1
        return j1939_buses(stats)

    monkeypatch.setattr("canassist.decode.standards.j1939.j1939_buses", counted)
    lines = [(0.01 * n, f"18FEF1{n:02X}#FFFFFFFFFFFFFFFF") for n in range(200)]
    assert decoded(databases, "", *lines).ids_known == 200
    assert looks < 10


def test_senders_of_all_known_messages_are_given(databases: Databases) -> None:
    found = decoded(databases, "", *motion(1, 2), (0.0, "110#00"), (0.0, "555#00"))
    assert found.senders == {FrameSource(0, 0x100): "Body", FrameSource(0, 0x110): "Steering"}


def test_integrity_is_checked_as_the_profile_asks(databases: Databases) -> None:
    text = (
        '[[integrity]]\nmessage = "Counted"\ncounter = "Count"\n'
        'checksum = "Check"\nmethod = "sum8"\n'
    )
    lines = [(0.1 * n, f"130#{n % 16:02X}{n % 16:02X}000000000000") for n in range(40)]
    lines[5] = (0.5, "130#05FF000000000000")
    (one,) = decoded(databases, text, *lines).integrity
    assert (one.message, one.frames, one.checksum_failures) == ("Counted", 40, 1)
    assert one.failed_s == (0.5,)


REFUSED = {
    '[channels]\nvehicle_speed = "Motion.Raod"': ("channels.vehicle_speed", '"Motion.Road"'),
    '[channels]\nvehicle_speed = "motion.road"': ("channels.vehicle_speed", '"Motion.Road"'),
    '[channels]\nvehicle_speed = "Q.Q"': ("bike.dbc", "Check the spelling"),
    '[[integrity]]\nmessage = "Countd"': ("integrity of Countd", '"Counted"'),
    '[[integrity]]\nmessage = "Counted"\ncounter = "Cout"': ("Counted.Cout", '"Count"'),
    '[[integrity]]\nmessage = "Counted"\nchecksum = "Part"\nmethod = "xor8"': (
        "Part is not one whole byte",
        "8-bit checksum",
    ),
}


@pytest.mark.parametrize("text", REFUSED)
def test_unknown_names_in_a_profile_are_refused_with_near_ones(
    databases: Databases, text: str
) -> None:
    place, fix = REFUSED[text]
    with pytest.raises(ProfileError) as caught:
        plan_reading(databases, parse_profile(text, "bike.toml"))
    assert caught.value.problem.startswith("bike.toml: ")
    assert place in caught.value.problem
    assert fix in caught.value.fix


def test_a_profile_that_needs_a_database_says_so() -> None:
    profile = parse_profile('[channels]\nvehicle_speed = "Motion.Road"', "bike.toml")
    with pytest.raises(ProfileError, match="needs a database") as caught:
        plan_reading(load_databases([]), profile)
    assert "--dbc" in caught.value.fix


def test_only_what_is_needed_is_asked_of_the_reader(databases: Databases) -> None:
    text = '[channels]\nvehicle_speed = "Motion.Road"'
    wanted = plan_reading(databases, parse_profile(text, "bike.toml")).wanted
    asked = np.array([0x100, 0x555], dtype=np.uint32)
    assert wanted.contains(asked, np.zeros(2, dtype=np.bool_)).tolist() == [True, False]


def test_no_database_and_no_profile_read_the_standards() -> None:
    profile = default_profile()
    frames = ride((0.0, "7E8#03410D3C"), (1.0, "7E8#03410D3D"), (1.0, "7E8#04411F012C"))
    found = decode_ride(
        frames, plan_reading(load_databases([]), profile), profile, stats_of(frames)
    )
    assert found.channels["vehicle_speed"].value.tolist() == [60.0, 61.0]
    assert [one.name for one in found.extras] == ["OBD.PID_1F"]
    assert found.ids_known == 1
