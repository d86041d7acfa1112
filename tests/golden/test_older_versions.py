"""What earlier versions wrote stays readable: results and profiles."""

from __future__ import annotations

import json
from pathlib import Path

from canassist.profile import read_profile


def test_results_of_the_first_version_are_readable(first_version: Path) -> None:
    for name in ("unsigned.json", "signed.json"):
        result = json.loads((first_version / name).read_bytes())
        assert result["schema"] == "canassist-result/1"


def test_profile_of_the_first_version_is_read(first_version: Path) -> None:
    profile = read_profile(first_version / "demo_trail_vehicle.toml")
    assert profile.name == "Demo trail vehicle"
