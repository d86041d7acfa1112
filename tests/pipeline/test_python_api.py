"""The Python API as somebody in a notebook uses it."""

from __future__ import annotations

import copy
import json
import pickle
from dataclasses import replace
from pathlib import Path

import pytest

import canassist
from canassist import Result, Strength

ROOT = Path(__file__).resolve().parents[2]
LOG = ROOT / "sample_logs" / "supply_resistance.blf"
DBC = ROOT / "dbc_demo" / "demo_trail_vehicle.dbc"
PROFILE = ROOT / "dbc_demo" / "demo_trail_vehicle.toml"


@pytest.fixture(scope="module")
def result() -> Result:
    return canassist.analyze(str(LOG), dbc=DBC, profile=str(PROFILE))


def test_dir_shows_the_public_names_and_nothing_else() -> None:
    shown = dir(canassist)
    assert shown == sorted(canassist.__all__)
    assert {"analyze", "compare", "read_profile", "Result", "Strength", "EventKind", "Step"} <= {
        *shown
    }
    for name in shown:
        assert getattr(canassist, name) is not None


def test_a_result_prints_as_one_line(result: Result) -> None:
    assert repr(result).startswith("<canassist.Result supply_resistance.blf: ")
    assert "supply_resistance" in repr(result).split(": ", 1)[1]
    assert "\n" not in repr(result)


def test_the_summary_is_what_the_page_says(result: Result) -> None:
    first = result.conclusions[0]
    assert result.summary().startswith(first.headline)
    assert all(check.text in result.summary() for check in first.next_checks)


def test_notebooks_get_the_answer_and_one_picture_in_a_frame_of_its_own(result: Result) -> None:
    html = result._repr_html_()
    assert html.startswith("<iframe sandbox ")
    assert html.count("&lt;svg") >= 1
    assert "<script" not in html
    assert "&lt;script" not in html


def test_hostile_text_stays_text_in_a_notebook(result: Result) -> None:
    evil = "<img src=x onerror=alert(1)>"
    first = replace(result.conclusions[0], headline=evil, basis=evil)
    html = replace(result, conclusions=(first,))._repr_html_()
    assert "<img" not in html
    inside = html.split("srcdoc=")[1]
    assert "&lt;img" not in inside  # escaped once for the text, once more for the frame
    assert "&amp;lt;img" in inside


def test_page_and_data_are_those_of_the_command(result: Result, tmp_path: Path) -> None:
    page = result.to_html(tmp_path / "ride.html")
    data = result.to_json(str(tmp_path / "ride.json"))
    assert (tmp_path / "ride.html").read_bytes() == page.encode()
    assert (tmp_path / "ride.json").read_bytes() == data
    assert json.loads(data)["conclusions"][0]["code"] == result.conclusions[0].code


def test_results_of_one_log_are_equal_and_hash_alike(result: Result) -> None:
    again = canassist.analyze(LOG, dbc=str(DBC), profile=canassist.read_profile(str(PROFILE)))
    assert copy.deepcopy(result) == result
    assert hash(copy.deepcopy(result)) == hash(result)
    assert again != result  # a profile that is no file is no input, so less is stated
    assert result != "a result"
    assert {result: 1}[pickle.loads(pickle.dumps(result))] == 1  # noqa: S301 - our own value
    assert replace(result, events=result.events[1:]) != result


def test_every_part_can_be_compared_and_hashed(result: Result) -> None:
    event = result.events[0]
    assert event == copy.deepcopy(event)
    assert hash(event) == hash(copy.deepcopy(event))
    assert hash(result.conclusions[0]) == hash(copy.deepcopy(result.conclusions[0]))


def test_tables(result: Result) -> None:
    events = result.events_frame()
    assert list(events.start_s) == [event.start_s for event in result.events]
    assert {"measured.min_assist_pct", "shares.voltage", "text"} <= {*events.columns}
    assert events.kind.iloc[0] == str(result.events[0].kind)
    conclusions = result.conclusions_frame()
    assert list(conclusions["rank"]) == [item.rank for item in result.conclusions]
    assert conclusions.strength.iloc[0] == Strength.STRONG
    estimates = result.estimates_frame().set_index("estimate")
    path = result.physics.supply_path
    assert path is not None
    assert estimates.loc["supply_path.path_ohm", "value"] == path.path_ohm.value
    assert (estimates.low <= estimates.value).all()


def test_channels_stand_on_one_grid(result: Result) -> None:
    table = result.channels_frame()
    assert table.index.name == "time_s"
    speed = table["vehicle_speed [km/h]"]
    assert speed.max() == pytest.approx(result.series("vehicle_speed").max(), abs=0.5)
    assert len(table) > result.log.duration_s


def test_a_result_put_together_by_hand_says_that_it_cannot_write(result: Result) -> None:
    with pytest.raises(ValueError, match="analyze"):
        replace(result, views=None).to_html()
