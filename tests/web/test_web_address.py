"""The page behind a proxy of one's own, and its brakes: who is believed, who can hold what."""

from __future__ import annotations

import re
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import httpx
import pytest

from canassist.errors import UsageError
from canassist.web.http.middleware import session_cookie
from canassist.web.http.sessions import Sessions
from canassist.web.run_server import https_name
from canassist.web.settings import PageSettings
from canassist.web.store.ended_sessions import EndedSessions
from canassist.web.store.index_database import Database

if TYPE_CHECKING:
    from tests.web.conftest import Served

Serving = Callable[..., AbstractContextManager["Served"]]
HTML = {"accept": "text/html"}
NAME = "rides.shop.example"


@pytest.fixture(scope="module")
def behind(serving: Serving, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Return a page on loopback that stands behind a proxy with a name of its own."""
    folder = tmp_path_factory.mktemp("behind") / "data"
    with serving(folder, "--address", f"https://{NAME}") as found:
        yield found


def login_form(client: httpx.Client, **headers: str) -> str:
    text = client.get("/login", headers=HTML | headers).text
    found = re.search(r'name="form_token" value="([^"]+)"', text)
    assert found is not None
    return found[1]


def test_own_name_is_served_with_a_login_and_secure_cookies(behind: Served) -> None:
    assert len(behind.token) >= 32
    with httpx.Client(base_url=behind.address, headers={"host": NAME}) as client:
        assert client.get("/api/reports").status_code == 401
        asked = client.get("/login", headers=HTML)
        assert asked.status_code == 200
        assert "Secure" in asked.headers["set-cookie"]
        assert "HttpOnly" in asked.headers["set-cookie"]
        origin = {"origin": f"https://{NAME}", "cookie": asked.headers["set-cookie"].split(";")[0]}
        token = re.search(r'name="form_token" value="([^"]+)"', asked.text)
        assert token is not None
        secret = {"form_token": token[1], "secret": behind.token}
        done = client.post("/login", data=secret, headers=origin)
        assert done.status_code == 303
        assert "Secure" in done.headers["set-cookie"]
    other = httpx.get(behind.address + "login", headers=HTML | {"host": "evil.example"})
    assert other.status_code == 421


def test_each_client_of_a_declared_proxy_has_a_brake_of_its_own(behind: Served) -> None:
    def asked(address: str) -> int:
        headers = {"authorization": "Bearer wrong", "x-forwarded-for": address}
        return httpx.get(behind.address + "api/reports", headers=headers).status_code

    first = [asked("203.0.113.5") for _ in range(10)]
    assert first[0] == 401
    assert first[-1] == 429
    assert asked("203.0.113.6") == 401


def test_forwarded_headers_of_strangers_are_not_believed(serving: Serving, tmp_path: Path) -> None:
    """Each try claims another address; the brake counts them all the same."""
    every = "0.0.0.0"  # noqa: S104 - the brake is what is tried here
    with serving(tmp_path / "data", "--host", every) as served:
        found = [
            httpx.get(
                served.address + "api/reports",
                headers={"authorization": "Bearer no", "x-forwarded-for": f"203.0.113.{number}"},
            ).status_code
            for number in range(10)
        ]
        assert found[0] == 401
        assert found[-1] == 429
        right = {"authorization": f"Bearer {served.token}"}
        assert httpx.get(served.address + "api/reports", headers=right).status_code == 200


def test_a_right_secret_passes_the_brake_at_the_login(serving: Serving, tmp_path: Path) -> None:
    every = "0.0.0.0"  # noqa: S104 - the brake is what is tried here
    with (
        serving(tmp_path / "data", "--host", every) as served,
        served.client() as client,
    ):
        form = {"form_token": login_form(client)}
        tries = [client.post("/login", data=form | {"secret": f"no {n}"}) for n in range(12)]
        assert tries[-1].status_code == 429
        right = client.post("/login", data=form | {"secret": served.token})
        assert right.status_code == 303
        cookies = dict(client.cookies)
        token = re.search(r'name="form_token" value="([^"]+)"', client.get("/", headers=HTML).text)
        assert token is not None
        assert client.post("/logout", data={"form_token": token[1]}).status_code == 303
        client.cookies.clear()
        kept = httpx.get(served.address + "api/reports", cookies=cookies)
        assert kept.status_code == 401  # the cookie is still there; the session is not


def test_an_ended_session_stays_ended_after_a_restart(tmp_path: Path) -> None:
    database = Database(tmp_path / "index.sqlite")
    sessions = Sessions(b"k" * 32, "a secret", EndedSessions(database))
    session, cookie = sessions.new(logged_in=True)
    other, other_cookie = sessions.new(logged_in=True)
    sessions.end(session)
    assert sessions.read(cookie) is None
    database.close()
    again = Sessions(b"k" * 32, "a secret", EndedSessions(Database(tmp_path / "index.sqlite")))
    assert again.read(cookie) is None
    assert again.read(other_cookie) == other


@pytest.mark.parametrize("count", [60, 240])
def test_half_sent_requests_of_one_source_do_not_hold_all_places(
    serving: Serving, tmp_path: Path, count: int
) -> None:
    with serving(tmp_path / "data") as served, ExitStack() as lines:
        host = urlsplit(served.address)
        for _ in range(count):
            line = socket.create_connection((host.hostname or "", host.port or 0), timeout=5)
            lines.enter_context(line)
            line.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nx-half: ")
        time.sleep(0.5)
        begun = time.monotonic()
        assert httpx.get(served.address + "api/reports", timeout=10).status_code == 200
        assert time.monotonic() - begun < 5


@pytest.mark.parametrize(
    "address",
    [
        "",
        "rides.shop",
        "http://rides.shop",
        "https://",
        "https://a/b",
        "https://u@a",
        "https://a:x",
    ],
)
def test_an_address_of_another_form_is_refused(address: str) -> None:
    with pytest.raises(UsageError, match="https://name"):
        https_name(address)


def test_own_names_are_compared_whole(tmp_path: Path) -> None:
    assert https_name("https://Rides.Shop:443/") == "rides.shop"
    assert https_name("https://rides.shop:8443") == "rides.shop:8443"
    settings = PageSettings(data=tmp_path, address="rides.shop:8443")
    assert settings.is_own_name("rides.shop:8443")
    assert settings.is_own_name("127.0.0.1:8321")
    assert not settings.is_own_name("rides.shop")
    assert not settings.is_own_name("xrides.shop:8443")
    assert "Secure" not in session_cookie(PageSettings(data=tmp_path), "x")
    assert session_cookie(settings, "x").endswith("; Secure")
