"""What a report says of limits that were learned, and what rests on them."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from canassist import Result, analyze
from canassist.cli.guidance.explain_command import explain
from canassist.profile import parse_profile
from canassist.report import render_page, result_json

ROOT = Path(__file__).resolve().parents[2]
LEARNED = """profile = 2
[limits]
max_circuit_ohm = 0.02
charging_v = 13.5
[learned."limits.max_circuit_ohm"]
value = 0.02
low = 0.008
high = 0.012
rides = 14
vehicles = VEHICLES
unit = "ohm"
[learned."limits.charging_v"]
value = 13.9
rides = 9
vehicles = 3
"""


def profile(folder: Path, vehicles: int) -> Path:
    path = folder / f"learned_{vehicles}.toml"
    path.write_text(LEARNED.replace("VEHICLES", str(vehicles)), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Result]:
    folder = tmp_path_factory.mktemp("profiles")
    log = ROOT / "sample_logs" / "supply_resistance.blf"
    dbc = ROOT / "dbc_demo" / "demo_trail_vehicle.dbc"
    return {n: analyze(log, dbc=dbc, profile=profile(folder, n)) for n in (2, 3)}


def test_the_report_says_from_how_many_rides_its_limits_were_learned(
    judged: dict[int, Result],
) -> None:
    page = render_page(judged[3])
    assert re.search(r"<dt>Limits</dt><dd>learned from 14 rides of 3 vehicles</dd>", page)
    assert "limits learned from 14 rides of 3 vehicles" in judged[3].conclusions[0].basis
    assert "learned_3.toml, learned from 14 rides of 3 vehicles" in page


def test_the_data_lists_what_was_learned_and_not_what_a_hand_changed(
    judged: dict[int, Result],
) -> None:
    said = json.loads(result_json(judged[3]))["learned"]
    assert said == {"rides": 14, "vehicles": 3, "figures": ["limits.max_circuit_ohm"]}


def test_two_vehicles_hold_a_blame_at_moderate_and_three_do_not(
    judged: dict[int, Result],
) -> None:
    said = {n: (str(r.conclusions[0].code), str(r.conclusions[0].strength))
            for n, r in judged.items()}  # fmt: skip
    assert said == {2: ("supply_resistance", "moderate"), 3: ("supply_resistance", "strong")}
    assert "fewer than three vehicles" in judged[2].conclusions[0].basis


def test_explain_says_where_a_limit_is_from(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    explain("max_circuit_ohm", profile(tmp_path, 3))
    explain("charging_v", profile(tmp_path, 3))
    explain("recovered_pct", profile(tmp_path, 3))
    said = capsys.readouterr()
    said_all = said.out + said.err
    assert "0.02 ohm, learned from 14 rides of 3 vehicles, 0.008 to 0.012 seen" in said_all
    assert "changed since it was learned from 9 rides of 3 vehicles" in said_all
    assert "learned_3.toml does not give it" in said_all


def test_a_profile_without_learned_figures_is_said_to_have_none() -> None:
    assert parse_profile("profile = 2\n", "plain.toml").learned_from is None
