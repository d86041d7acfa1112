"""``channels --profile P --write F`` writes a whole profile: what P says, and what was found."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from canassist.cli.app import app
from canassist.cli.files.whole_profile import whole_profile
from canassist.errors import ProfileError
from canassist.profile import parse_profile

START = """\
# Head of a start.
profile = 1

[vehicle]
name = ""

[channels]
engine_speed = "EngineTurn.CrankSpeed"  # by name
# assist_limit: which of these is it?
# assist_limit = "A.B"  # words

# nothing found for: ambient_temperature

[channels.module_temperature]  # by unit
signal = "SteerState.ModuleHeat"
scale = 0.5
offset = -40.0

# [limits]
# derate_start_c = 85.0
"""
FOUND = {"engine_speed", "module_temperature"}

PROFILES = {
    "plain": """\
profile = 1
[vehicle]
name = "Unit 7"  # of the fleet
[channels]  # known ones
vehicle_speed = "ChassisMotion.RoadSpeed"
[limits]
derate_start_c = 80.0  # the manual
[status]
reduced = ["Limited"]
""",
    "none yet": "profile = 1\n[limits]\ncharging_v = 13.0\n",
    "tables only": """\
[channels.vehicle_speed]
signal = "ChassisMotion.RoadSpeed"
scale = 2.0
[limits]
charging_v = 13.0""",
    "windows": 'profile = 1\r\n[channels]\r\nvehicle_speed = "A.B"\r\n',
    "looks like it": '[vehicle]\nname = """\n[channels] old"""\n[channels]\nvehicle_speed = "A.B"',
}


@pytest.mark.parametrize("kept", PROFILES.values(), ids=PROFILES)
def test_what_was_there_is_kept_and_what_was_found_is_added(kept: str) -> None:
    before = parse_profile(kept, "p.toml")
    text = whole_profile(kept, START, "p.toml")
    after = parse_profile(text, "p.toml")
    assert set(after.channels) == {*before.channels, *FOUND}
    assert after.channels["module_temperature"].scale == 0.5
    for name, spec in before.channels.items():
        assert after.channels[name] == spec
    assert replace(after, channels=before.channels, given=before.given) == before
    assert [line for line in kept.splitlines() if line not in text.splitlines()] == []
    assert '# assist_limit = "A.B"  # words' in text


def test_a_profile_that_takes_no_channel_says_what_to_do() -> None:
    with pytest.raises(ProfileError, match=r"p\.toml: further channels cannot be added") as caught:
        whole_profile('channels = { vehicle_speed = "A.B" }\n', START, "p.toml")
    assert "[channels]" in caught.value.fix


@pytest.mark.parametrize("source", ["log", "database"])
def test_the_command_writes_the_whole(project_root: Path, tmp_path: Path, source: str) -> None:
    base = project_root / "dbc_demo" / "demo_trail_vehicle"
    kept = tmp_path / "kept.toml"
    known = base.with_suffix(".toml").read_text("utf-8").splitlines(keepends=True)
    kept.write_text("".join(x for x in known if not x.startswith("engine_speed")), "utf-8")
    written = tmp_path / "whole.toml"
    log = project_root / "sample_logs" / "healthy_mixed.log.gz"
    given = [str(log), "--dbc", f"{base}.dbc"] if source == "log" else [f"{base}.dbc"]
    command = ["channels", *given, "--profile", str(kept), "--write", str(written)]
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0, done.output
    table = tomllib.loads(written.read_text("utf-8"))
    before = tomllib.loads(kept.read_text("utf-8"))
    if source == "log":
        assert table["channels"].pop("engine_speed") == "EngineTurn.CrankSpeed"
    assert table == before
    assert 'engine_speed = "EngineTurn.CrankSpeed"' in written.read_text("utf-8")
