"""Profiles: what the contract allows is read, and each slip gets one clear message."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canassist.errors import ProfileError
from canassist.model import LIMIT_NAMES
from canassist.profile import (
    default_limits,
    default_profile,
    limit_facts,
    parse_profile,
    read_profile,
)

CONTRACT_EXAMPLE = """
profile = 1
[vehicle]
name = "Demo trail vehicle"
[channels]
vehicle_speed = "ChassisMotion.RoadSpeed"
[channels.supply_voltage]
signal = "SupplyStatus.ModuleSupply"
scale = 1.0
offset = 0.0
invalid = [255]
stale_after_s = 0.5
[[integrity]]
message = "SteerEffort"
counter = "SteerEffortCount"
checksum = "SteerEffortCheck"
method = "crc8-j1850"
[limits]
derate_start_c = 90.0
[status]
reduced = ["Limited", 1]
off = ["Shutdown", "Failure"]
[assist_map]
speed_kph = [0, 10, 20, 40, 60, 80]
"*" = [4.0, 3.6, 3.0, 2.0, 1.3, 1.0]
driver_deadband_nm = 0.5
max_assist_nm = 40.0
"""

UNKNOWN_METHOD = "[[integrity]]\nmessage = 'M'\nchecksum = 'C'\nmethod = 'md5'"


def test_the_contract_s_example_is_read_whole() -> None:
    profile = parse_profile(CONTRACT_EXAMPLE, "vehicle.toml")
    supply = profile.channels["supply_voltage"]
    assert profile.name == "Demo trail vehicle"
    assert profile.channels["vehicle_speed"].signal == "ChassisMotion.RoadSpeed"
    assert (supply.scale, supply.offset, supply.invalid, supply.stale_after_s) == (
        1.0, 0.0, (255.0,), 0.5,
    )  # fmt: skip
    assert profile.integrity[0].method == "crc8-j1850"
    assert profile.limits.derate_start_c == 90.0
    assert profile.status_reduced == {"Limited", "1"}
    assert profile.assist_map is not None
    assert profile.assist_map.gains["*"] == (4.0, 3.6, 3.0, 2.0, 1.3, 1.0)


@pytest.mark.parametrize(("text", "rate"), [("", None), ("bit_rate_bps = 250000", 250_000)])
def test_the_bus_s_bit_rate_may_be_given(text: str, rate: int | None) -> None:
    assert parse_profile(f"[vehicle]\n{text}", "vehicle.toml").bit_rate_bps == rate


def test_limits_that_the_profile_does_not_give_are_assumed() -> None:
    profile = parse_profile(CONTRACT_EXAMPLE, "vehicle.toml")
    assert "limits.derate_start_c" not in profile.assumed
    assert "limits.charging_v" in profile.assumed
    assert len(profile.assumed) == len(LIMIT_NAMES) - 1
    assert not default_profile().gives("derate_start_c")


def test_every_default_limit_has_a_unit_and_a_source() -> None:
    facts = limit_facts()
    assert tuple(facts) == LIMIT_NAMES
    assert all(fact.unit and fact.source for fact in facts.values())


def test_default_limits_are_the_contract_s() -> None:
    """The values of the profile section of the contract."""
    limits = default_limits()
    assert (limits.derate_start_c, limits.derate_zero_c) == (85.0, 115.0)
    assert (limits.derate_start_v, limits.derate_zero_v) == (11.0, 9.0)
    assert (limits.undervoltage_v, limits.cranking_v, limits.charging_v) == (11.0, 9.6, 13.2)
    assert (limits.full_assist_pct, limits.recovered_pct) == (95.0, 98.0)
    assert limits.max_circuit_ohm == 0.03
    assert limits.hot_c == 80.0


@pytest.mark.parametrize(
    ("text", "place", "fix"),
    [
        ("[limits]\nderate_strat_c = 80", "limits.derate_strat_c", "derate_start_c"),
        ("[limts]", "limts", "limits"),
        ("[channels]\nvehicle_sped = 'A.B'", "channels.vehicle_sped", "vehicle_speed"),
        ("[channels]\nvehicle_speed = 'RoadSpeed'", "channels.vehicle_speed.signal", "Message"),
        ("[channels]\nvehicle_speed = 3", "channels.vehicle_speed", "Message.Signal"),
        ("[limits]\nderate_start_c = 'hot'", "limits.derate_start_c", "number"),
        ("[limits]\nderate_start_c = true", "limits.derate_start_c", "number"),
        ("[limits]\nderate_start_c = nan", "limits.derate_start_c", "number"),
        ("[limits]\nderate_start_c = 120", "limits.derate_start_c", "below derate_zero_c"),
        ("[limits]\nderate_zero_v = 12.0", "limits.derate_zero_v", "below derate_start_v"),
        ("[limits]\ncharging_v = -1.0", "limits.charging_v", "positive"),
        ("[vehicle]\nbit_rate_bps = 500", "vehicle.bit_rate_bps", "500000"),
        ("[vehicle]\nbit_rate_bps = 500000.5", "vehicle.bit_rate_bps", "bit/s"),
        ("[status]\nreduced = 'Limited'", "status.reduced", "Write ["),
        ("[assist_map]\nspeed_kph = [10, 0]\n'*' = [1, 2]", "assist_map.speed_kph", "rising"),
        ("[assist_map]\nspeed_kph = [0, 10]\n'*' = [1]", "assist_map.*", "each speed"),
        ("[assist_map]\nspeed_kph = [0, 10]", "assist_map", "every mode"),
        (UNKNOWN_METHOD, "integrity 1.method", "crc8"),
        ("profile = 3", "profile", "profile = 2"),
        ("[limits]\ncharging_v = 1" + "0" * 400, "limits.charging_v", "number"),
        ("[limits]\ncharging_v = " + "9" * 5000, "beyond all bounds", "profile"),
        ("[limits]\ncharging_v = 2024-01-01", "limits.charging_v is a date", "number"),
        ("x = " + "[" * 3000 + "]" * 3000, "beyond all bounds", "profile"),
        ("[vehicle]\nnominal_v = 0", "vehicle.nominal_v", "positive"),
        ("[channels.vehicle_speed]\nsignal = 'A.B'\nscale = 0",
         "channels.vehicle_speed.scale", "factor"),
        ("[channels.vehicle_speed]\nsignal = 'A.B'\nstale_after_s = 0",
         "channels.vehicle_speed.stale_after_s", "positive"),
        ("[assist_map]\nspeed_kph = [0]\n'*' = [1]\ndriver_deadband_nm = -1",
         "assist_map.driver_deadband_nm", "0 or more"),
        ("[assist_map]\nspeed_kph = [0]\n'*' = [1]\nmax_assist_nm = 0",
         "assist_map.max_assist_nm", "positive"),
        ("[limits\n", "TOML", "line"),
    ],
)  # fmt: skip
def test_each_slip_names_file_place_and_fix(text: str, place: str, fix: str) -> None:
    with pytest.raises(ProfileError) as caught:
        parse_profile(text, "vehicle.toml")
    assert "vehicle.toml" in caught.value.problem
    assert place in caught.value.problem
    assert fix in caught.value.fix


def test_a_missing_profile_says_so(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="no such profile"):
        read_profile(tmp_path / "none.toml")


def test_a_profile_that_is_not_text_says_so(tmp_path: Path) -> None:
    path = tmp_path / "photo.toml"
    path.write_bytes(b"\xff\xfe\x00\x80binary")
    with pytest.raises(ProfileError, match="no text in UTF-8"):
        read_profile(path)
    with pytest.raises(ProfileError, match="cannot be read") as caught:
        read_profile(tmp_path)
    assert str(tmp_path.parent) not in caught.value.problem
    path.write_bytes(b"#" * (1 << 21))
    with pytest.raises(ProfileError, match="larger than any"):
        read_profile(path)


@given(st.text(max_size=200))
def test_any_text_is_a_profile_or_one_clear_refusal(text: str) -> None:
    refusal = None
    try:
        parse_profile(text, "any.toml")
    except ProfileError as error:
        refusal = error
    assert refusal is None or (refusal.problem.startswith("any.toml") and refusal.fix)


def test_the_real_vehicles_profiles_are_read(shared_data: Path) -> None:
    found = sorted((shared_data / "profiles").glob("*.toml"))
    assert found
    for path in found:
        assert read_profile(path).channels


def test_a_key_of_ten_thousand_levels_is_refused_at_once() -> None:
    with pytest.raises(ProfileError, match="nested beyond all bounds"):
        parse_profile(".".join(["a"] * 10_000) + " = 1", "vehicle.toml")
