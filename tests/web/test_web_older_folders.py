"""Data folders that earlier versions wrote: every ride is still there."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.web.conftest import Inside


def test_data_folder_of_the_first_version_shows_its_rides(
    first_version: Path,
    tmp_path: Path,
    serving_inside: Callable[..., AbstractContextManager[Inside]],
) -> None:
    shutil.copytree(first_version / "data", tmp_path / "data")
    with serving_inside(tmp_path / "data") as inside:
        rides = inside.client.get("/api/reports").json()["rides"]
        assert [ride["title"] for ride in rides] == ["ride_a against ride_b", "ride_b", "ride_a"]
        assert {ride["state"] for ride in rides} == {"done"}
        for ride in rides:
            page = inside.client.get(f"/rides/{ride['id']}/report")
            assert page.status_code == 200
            assert page.content.lower().startswith(b"<!doctype html>")
            result = inside.client.get(f"/api/reports/{ride['id']}").json()
            kind = "comparison" if " against " in ride["title"] else "result"
            assert result["schema"] == f"canassist-{kind}/1"
        text = {"accept": "text/html"}
        assert (
            "read by the rules of an earlier version" in inside.client.get("/", headers=text).text
        )
