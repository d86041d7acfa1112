"""The interface for programs, tried from its own description for a bounded time."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import httpx
import pytest

from canassist.demo import WrittenRide

if TYPE_CHECKING:
    from tests.web.conftest import Served


def test_log_in_result_out(shared_page: Served, rides: dict[str, WrittenRide]) -> None:
    ride = rides["hot_tight_turns"]
    address = shared_page.address + "api/reports"
    parts = {"log": ride.log, "dbc": ride.dbc, "profile": ride.profile}
    files = [(role, (path.name, path.read_bytes())) for role, path in parts.items()]
    answer = httpx.post(address, files=files, data={"complaint": "heavy"}, timeout=90)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/json"
    result = answer.json()
    assert result["schema"] == "canassist-result/2"
    assert result["conclusions"][0]["code"] == "thermal_protection"
    assert [one["name"] for one in result["inputs"]] == [path.name for path in parts.values()]
    again = httpx.post(address, files=files, timeout=90)
    assert again.headers["x-ride"] == answer.headers["x-ride"]
    assert again.content == answer.content
    assert httpx.get(f"{address}/{answer.headers['x-ride']}").content == answer.content


def test_description_is_served_and_pages_are_as_described(shared_page: Served) -> None:
    described = httpx.get(shared_page.address + "api/openapi.json").json()
    page = httpx.get(shared_page.address + "api", headers={"accept": "text/html"})
    assert page.status_code == 200
    for path, methods in described["paths"].items():
        for method in methods:
            if method == "get":
                address = shared_page.address + path.lstrip("/").replace("{ride}", "none")
                status = str(httpx.get(address).status_code)
                assert status in methods["get"]["responses"]


def test_a_job_is_worked_by_calls_alone(
    shared_page: Served, rides: dict[str, WrittenRide], until: Callable[..., None]
) -> None:
    hot, lost = rides["hot_tight_turns"], rides["speed_lost"]
    with httpx.Client(base_url=f"{shared_page.address}api/", timeout=90) as api:
        kept = {"dbc": hot.dbc.read_bytes(), "profile": hot.profile.read_bytes()}
        named = {"dbc": ("own.dbc", kept["dbc"]), "profile": ("own.toml", kept["profile"])}
        vehicle = api.post("vehicles", files=named).json()
        assert api.post("vehicles", files=named).json()["id"] == vehicle["id"]
        assert (
            api.post(f"vehicles/{vehicle['id']}", json={"name": "Trail"}).json()["name"] == "Trail"
        )
        job = api.post("jobs", json={"work_order": "API-1", "complaint": "heavy"}).json()
        assert api.post("jobs", json={"work_order": "api-1"}).json()["id"] == job["id"]
        logs = [("log", (one.log.name, one.log.read_bytes())) for one in (hot, lost)]
        sent = {"job": job["id"], "vehicle": vehicle["id"], "title": ""}
        told = api.post("reports", files=logs, data=sent).json()
        assert [one["state"] for one in told["rides"]] == ["done", "done"]
        before, after = (one["id"] for one in told["rides"])
        again = api.post("reports", files=logs, data=sent).json()["rides"]
        assert [one["id"] for one in again] == [before, after]
        found = api.get(f"rides/{before}/files/0")
        assert found.content == hot.log.read_bytes()
        assert api.get(f"rides/{before}/files/9").status_code == 404
        assert api.post(f"jobs/{job['id']}/proof").status_code == 400
        moved = api.post(
            f"jobs/{job['id']}/rides", json={"rides": [after], "phase": "after"}
        ).json()
        assert [one["id"] for one in moved["after"]] == [after]
        done = {"text": "Look", "measured": "clean", "is_done": True}
        wrote = api.post(f"jobs/{job['id']}", json={"correction": "New fan", "checks": [done]})
        assert "clean" in {one["measured"] for one in wrote.json()["checks"]}
        assert (wrote.json()["correction"], wrote.json()["complaint"]) == ("New fan", "heavy")
        proof = api.post(f"jobs/{job['id']}/proof").json()["id"]
        assert api.post(f"jobs/{job['id']}/proof").json()["id"] == proof
        until(lambda: api.get(f"rides/{proof}").json()["state"] == "done")
        assert api.post(f"jobs/{job['id']}", json={"open": False}).json()["closed_s"]
        gone = api.post("rides/delete", json={"rides": [after]})
        assert gone.status_code == 200
        assert api.get(f"rides/{after}").status_code == 404
        assert api.post("rides/restore", json={"rides": [after]}).json()["rides"][0]["id"] == after
        assert api.get(f"rides/{after}").status_code == 200


SOUND = Path(__file__).parents[2] / "sample_logs" / "sound"


def test_what_is_normal_is_learned_from_sound_rides_and_put_to_use(
    shared_page: Served, rides: dict[str, WrittenRide], until: Callable[..., None]
) -> None:
    known = rides["hot_tight_turns"]
    with httpx.Client(base_url=f"{shared_page.address}api/", timeout=120) as api:
        named = {"dbc": ("learned.dbc", known.dbc.read_bytes() + b"\n")}
        vehicle = api.post("vehicles", files=named).json()["id"]
        ids = []
        for log in sorted(SOUND.glob("*/hot_turns.log.xz"))[:2]:
            sent = {"vehicle": vehicle, "title": log.parent.name}
            answer = api.post("reports", files={"log": (log.name, log.read_bytes())}, data=sent)
            ids.append(answer.headers["x-ride"])
            api.post(f"rides/{ids[-1]}/notes", json={"vehicle_words": log.parent.name})
        until(lambda: all(api.get(f"rides/{one}").json()["state"] == "done" for one in ids))
        assert api.post("learned", json={"rides": []}).status_code == 400
        row = api.post("learned", json={"rides": ids}).json()
        assert api.post("learned", json={"rides": ids[::-1]}).json()["id"] == row["id"]
        until(lambda: api.get(f"rides/{row['id']}").json()["state"] in {"done", "failed"})
        told = api.get(f"reports/{row['id']}").json()
        assert told.get("problem") is None, told
        assert (told["rides"], told["vehicles"]) == (2, 2)
        assert "[learned" in told["profile"]
        assert api.get(f"vehicles/{vehicle}").json()["profile"] is None
        assert api.post(f"learned/{row['id']}/use").json()["profile"].endswith(".toml")
        home = f"{shared_page.address}rides/{row['id']}"
        assert httpx.get(f"{home}/profile.toml").text == told["profile"]
        page = httpx.get(home, headers={"accept": "text/html"}).text
        assert "laws and figures learned from 2 rides of 2 vehicles" in page


@pytest.mark.parametrize("examples", ["6", pytest.param("60", marks=pytest.mark.slow)])
def test_drawn_requests_find_no_mistake_of_the_server(shared_page: Served, examples: str) -> None:
    done = subprocess.run(
        [
            sys.executable, "-m", "schemathesis.cli", "run",
            shared_page.address + "api/openapi.json",
            "--checks", "not_a_server_error", "--max-examples", examples, "--seed", "1",
            "--request-timeout", "60", "--suppress-health-check", "all", "--no-color",
        ],
        capture_output=True, text=True, timeout=280, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]
    drawn = re.search(r"(\d+) generated", done.stdout)
    assert drawn is not None, done.stdout[-1500:]
    assert int(drawn[1]) > 10
    assert json.loads(httpx.get(shared_page.address + "api/reports").content)["count"] >= 0
