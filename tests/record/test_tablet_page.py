"""The page of a tablet beside a recording: the same checks as the local page, the same words."""

from __future__ import annotations

import re
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser

from canassist.errors import UsageError
from canassist.profile import read_profile
from canassist.record import RecordingPlan, RecordingSession, replayed
from canassist.web import tablet_page

Wait = Callable[[Callable[[], bool]], None]
ANY = "0.0.0.0"  # noqa: S104 - the tests' own server


@contextmanager
def served(
    folder: Path, root: Path, host: str = "127.0.0.1", *, speed: float = 3.0
) -> Iterator[tuple[str, str, RecordingSession]]:
    """Record a replayed ride and serve its page; give address, secret and recording."""
    vehicle = root / "dbc_demo"
    session = RecordingSession(
        RecordingPlan(
            log=folder / "ride.log.gz",
            databases=(vehicle / "demo_trail_vehicle.dbc",),
            profile=read_profile(vehicle / "demo_trail_vehicle.toml"),
        ),
        [replayed([root / "sample_logs/healthy_mixed.log.gz"], speed)],
    )
    told: list[str] = []
    with tablet_page(session, f"{host}:0", data=folder, tell=told.append):
        session.start()
        address = re.search(r":(\d+)/", told[0])
        assert address
        secret = told[1].rpartition(" ")[2] if len(told) > 1 else ""
        try:
            yield f"http://127.0.0.1:{address[1]}", secret, session
        finally:
            session.stop()


def waited_for(address: str, client: httpx.Client) -> None:
    ends = time.monotonic() + 10
    while True:
        try:
            client.get(address)
        except httpx.TransportError:
            assert time.monotonic() < ends
            time.sleep(0.05)
        else:
            return


def token_in(page: str) -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', page)
    assert found
    return found[1]


def test_the_page_shows_the_recording_and_marks(
    tmp_path: Path, project_root: Path, wait_until: Wait
) -> None:
    with served(tmp_path, project_root) as (address, _, session), httpx.Client() as client:
        waited_for(address, client)
        wait_until(lambda: session.state().answer is not None)
        wait_until(lambda: session.state().log_s > 15)
        page = client.get(address).text
        assert "Never to be read while riding" in page
        assert "slow turns left" in page
        assert "vehicle speed" in page
        form = {"kind": "heavy", "form_token": token_in(page), "quiet": "1"}
        before = session.state().log_s
        answer = client.post(f"{address}/mark", data=form)
        assert answer.status_code == 200
        (mark,) = session.state().marks
        assert answer.text == f"{int(mark.at_s // 60)}:{mark.at_s % 60:04.1f}"
        assert mark.at_s == pytest.approx(before, abs=1.5)  # three times as fast as it was ridden
        note = {"kind": "note", "text": "<b>slope", "form_token": token_in(page)}
        assert client.post(f"{address}/mark", data=note).status_code == 303
        assert "Heavy at" in client.get(f"{address}/now").text
        session.tick()
        case = tomllib.loads((tmp_path / "ride.case.toml").read_text("utf-8"))
        assert len(case["at"]) == len(case["at_log"]) == 1
        assert [one["text"] for one in case["recording"]["notes"]] == ["<b>slope"]


def test_the_checks_of_the_local_page_hold(tmp_path: Path, project_root: Path) -> None:
    with served(tmp_path, project_root) as (address, _, session), httpx.Client() as client:
        waited_for(address, client)
        page = client.get(address)
        assert "default-src 'none'" in page.headers["content-security-policy"]
        form = {"kind": "heavy", "form_token": token_in(page.text)}
        assert client.get(address, headers={"host": "evil.example"}).status_code == 421
        headers = {"origin": "http://evil.example"}
        assert client.post(f"{address}/mark", data=form, headers=headers).status_code == 403
        assert client.post(f"{address}/mark", data={"kind": "heavy"}).status_code == 403
        assert client.post(f"{address}/mark", data=form | {"kind": "x"}).status_code == 400
        assert client.get(f"{address}/static/../app.py").status_code == 404
        assert session.state().marks == ()


def test_any_other_address_asks_for_a_login(tmp_path: Path, project_root: Path) -> None:
    with served(tmp_path, project_root, ANY) as (address, secret, _), httpx.Client() as client:
        waited_for(address, client)
        assert client.get(f"{address}/now", headers={"accept": "*/*"}).status_code == 401
        shown = client.get(address, headers={"accept": "text/html"}, follow_redirects=True)
        assert shown.url.path == "/login"
        form = {"form_token": token_in(shown.text), "secret": secret}
        wrong = client.post(f"{address}/login", data=form | {"secret": "guess"})
        assert wrong.status_code == 403
        assert client.post(f"{address}/login", data=form).status_code == 303
        assert "Heavy now" in client.get(address).text


@pytest.mark.parametrize("where", ["8322", "host", ":8322", "127.0.0.1:port", "127.0.0.1:99999"])
def test_what_is_no_address_is_told(tmp_path: Path, project_root: Path, where: str) -> None:
    source = replayed([project_root / "sample_logs/healthy_mixed.log.gz"], 1.0)
    profile = read_profile(project_root / "dbc_demo/demo_trail_vehicle.toml")
    plan = RecordingPlan(log=tmp_path / "r.log.gz", databases=(), profile=profile, watched=False)
    session = RecordingSession(plan, [source])
    with (
        pytest.raises(UsageError),
        tablet_page(session, where, data=tmp_path, tell=lambda _: None),
    ):
        pass
    session.abandon()
    assert not list(tmp_path.iterdir())


@pytest.mark.browser
@pytest.mark.parametrize("size", [(1024, 768), (390, 844)])
def test_a_tap_marks_and_answers_with_the_time(
    tmp_path: Path, project_root: Path, browser: Browser, wait_until: Wait, size: tuple[int, int]
) -> None:
    with served(tmp_path, project_root) as (address, _, session):
        view = browser.new_page(viewport={"width": size[0], "height": size[1]})
        wait_until(lambda: session.state().log_s > 20)
        view.goto(address)
        view.get_by_role("button", name="Heavy now").click()
        view.locator("#noted").filter(has_text="Heavy at").wait_for()
        assert len(session.state().marks) == 1
        view.locator(".marks").wait_for()  # renewed by itself
        box = view.get_by_role("button", name="Heavy now").bounding_box()
        assert box is not None
        assert box["width"] > size[0] * 0.8
        assert box["height"] >= 150
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= size[1]  # always in reach of a thumb
        wide = view.evaluate("document.documentElement.scrollWidth")
        assert wide <= size[0]
        view.screenshot(path=str(tmp_path / f"tablet{size[0]}.png"), full_page=True)
        view.close()
