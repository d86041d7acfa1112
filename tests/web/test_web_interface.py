"""The interface for programs, tried from its own description for a bounded time."""

from __future__ import annotations

import json
import re
import subprocess
import sys
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
