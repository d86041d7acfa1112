"""The start of a profile: valid as it stands, and worth the same as the choices behind it."""

from __future__ import annotations

import numpy as np
import pytest

from canassist.decode.candidates import ChannelChoice, Ranked
from canassist.decode.decode_ride import DecodedRide, decode_ride
from canassist.decode.matching import profile_text
from canassist.decode.plan import plan_reading
from canassist.model import Profile
from canassist.profile import default_profile, parse_profile
from tests.decode.invented_ride import database, frames_of, vehicle_names


def decoded(name: str, profile: Profile) -> DecodedRide:
    frames, stats = frames_of(name)
    return decode_ride(frames, plan_reading(database(name), profile), profile, stats)


@pytest.mark.parametrize("name", vehicle_names())
def test_a_ride_read_with_the_written_profile_gives_the_same_channels(name: str) -> None:
    first = decoded(name, default_profile())
    text = profile_text(first.ranking)
    profile = parse_profile(text, f"{name}.toml")
    again = decoded(name, profile)
    for channel in profile.channels:
        before, after = first.channels[channel], again.channels[channel]
        assert not before.doubt, "what is in doubt is not set"
        assert after.chosen_by == "profile"
        assert after.signal == before.signal
        assert np.allclose(after.value, before.value, equal_nan=True), channel
    for channel in first.channels.keys() - profile.channels.keys():
        assert channel in again.channels
        assert again.channels[channel].sign_known == first.channels[channel].sign_known


def test_a_reduction_is_written_with_its_scale() -> None:
    found = decoded("reduction", default_profile())
    spec = parse_profile(profile_text(found.ranking), "p.toml").channels["assist_limit"]
    assert (spec.signal, spec.scale, spec.offset) == ("EPS_Therm.AssistReduction", -1.0, 100.0)


def test_a_torque_whose_positive_side_nobody_told_is_not_set() -> None:
    text = profile_text(decoded("french_snake", default_profile()).ranking)
    assert "driver_torque" not in parse_profile(text, "p.toml").channels
    assert '# driver_torque = "direction_assistee_1.couple_volant"' in text
    assert "which side is positive" in text


def test_a_stand_in_is_not_set_as_the_modules_own_supply() -> None:
    name = "decoys_only"
    assert parse_profile(profile_text(decoded(name, default_profile()).ranking), "p").channels == {}


def test_hostile_names_stay_inside_their_comment_or_text() -> None:
    evil = 'A"]\n[limits]\nderate_start_c = 1.0 #'
    choice = ChannelChoice(
        channel="vehicle_speed",
        doubt=f"is it {evil}",
        ranking=(Ranked(signal=f"M.{evil}", source=None, score=0.5, reasons=(evil,)),),
    )
    profile = parse_profile(profile_text({"vehicle_speed": choice}), "p.toml")
    assert profile.given == frozenset({"profile", "vehicle", "vehicle.name", "channels"})
