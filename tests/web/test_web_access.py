"""What is refused: other sites, other hosts, forms and files with a purpose."""

from __future__ import annotations

import gzip
import io
import re
import socket
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import httpx
import pytest

from canassist.demo import WrittenRide

if TYPE_CHECKING:
    from tests.web.conftest import Served

Serving = Callable[..., AbstractContextManager["Served"]]
Until = Callable[[Callable[[], bool]], None]

HTML = {"accept": "text/html"}
NASTY = '"><img src=x onerror=alert(1)><script>alert(2)</script>'


def form_token(client: httpx.Client) -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', client.get("/", headers=HTML).text)
    assert found is not None
    return found[1]


@pytest.fixture
def client(shared_page: Served) -> Iterator[httpx.Client]:
    with shared_page.client() as made:
        yield made


def send(client: httpx.Client, name: str, content: bytes, **fields: str) -> httpx.Response:
    return client.post("/api/reports", files=[("log", (name, content))], data=fields)


def files_in(data: Path) -> list[str]:
    return sorted(
        str(path.relative_to(data))
        for part in ("incoming", "work")
        for path in data.glob(f"{part}/*")
    )


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1.evil.example:{port}", "", "["]
)
def test_another_name_for_this_machine_is_refused(shared_page: Served, host: str) -> None:
    port = urlsplit(shared_page.address).port
    answer = httpx.get(shared_page.address, headers={"host": host.format(port=port)})
    assert answer.status_code in {400, 421}
    assert "rides" not in answer.text.lower() or "address" in answer.text


@pytest.mark.parametrize("name", ["localhost", "127.0.0.1", "[::1]"])
def test_own_names_are_served(shared_page: Served, name: str) -> None:
    port = urlsplit(shared_page.address).port
    assert httpx.get(shared_page.address, headers={"host": f"{name}:{port}"}).status_code == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:1"])
@pytest.mark.parametrize("path", ["/api/reports", "/upload", "/delete", "/sample"])
def test_post_from_another_site_is_refused(client: httpx.Client, origin: str, path: str) -> None:
    token = form_token(client)
    answer = client.post(path, data={"form_token": token}, headers={"origin": origin})
    assert answer.status_code == 403


def test_another_site_cannot_fetch_but_may_link(client: httpx.Client) -> None:
    fetched = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    linked = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert client.get("/api/reports", headers=fetched).status_code == 403
    assert client.get("/", headers=linked | HTML).status_code == 200


@pytest.mark.parametrize("path", ["/delete", "/restore", "/sample", "/logout", "/rides/x/cancel"])
@pytest.mark.parametrize("token", ["", "wrong"])
def test_form_without_its_token_is_refused(client: httpx.Client, path: str, token: str) -> None:
    client.get("/", headers=HTML)
    answer = client.post(path, data={"form_token": token, "ride": "x"})
    assert answer.status_code in {403, 404}
    assert answer.json()["problem"]


def test_token_of_another_session_is_refused(shared_page: Served) -> None:
    with shared_page.client() as mine, shared_page.client() as other:
        theirs = form_token(other)
        mine.get("/", headers=HTML)
        assert mine.post("/sample", data={"form_token": theirs}).status_code == 403


def test_browser_upload_needs_the_token_before_the_first_file(client: httpx.Client) -> None:
    token = form_token(client)
    origin = str(client.base_url).rstrip("/")
    late = client.post(
        "/upload",
        content=b'--b\r\ncontent-disposition: form-data; name="files"; filename="a"\r\n\r\nx\r\n'
        b'--b\r\ncontent-disposition: form-data; name="form_token"\r\n\r\n'
        + token.encode()
        + b"\r\n--b--\r\n",
        headers={"content-type": "multipart/form-data; boundary=b", "origin": origin},
    )
    assert late.status_code == 403
    by_browser = client.post(
        "/api/reports", files={"log": ("a.log", b"x")}, headers={"origin": origin}
    )
    assert by_browser.status_code == 403


def test_every_answer_carries_the_rules(client: httpx.Client) -> None:
    for path in ("/", "/api", "/api/openapi.json", "/static/page.js", "/nothing", "/vehicles"):
        headers = client.get(path, headers=HTML).headers
        assert headers["x-content-type-options"] == "nosniff"
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
    cookie = httpx.get(str(client.base_url)).headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie


@pytest.mark.parametrize(
    "path",
    [
        "/static/../settings.py",
        "/static/..%2fsettings.py",
        "/static/%2e%2e/%2e%2e/errors.py",
        "/rides/../index.sqlite",
        "/rides/..%2f..%2findex.sqlite/report",
        "/rides/%00/report",
        "/static/page.js%00.css",
        "/files/aa/" + "a" * 64,
        "/vehicles/x/files/0",
        "//etc/passwd",
    ],
)
def test_no_path_leads_out_of_the_page(shared_page: Served, path: str) -> None:
    address = urlsplit(shared_page.address)
    with socket.create_connection((address.hostname, address.port), 10) as line:
        line.sendall(
            f"GET {path} HTTP/1.1\r\nHost: {address.netloc}\r\nConnection: close\r\n\r\n".encode()
        )
        answer = b"".join(iter(lambda: line.recv(65536), b""))
    assert re.match(rb"HTTP/1.1 4\d\d", answer), answer[:80]
    assert b"Traceback" not in answer
    assert b"site-packages" not in answer


def test_huge_headers_are_refused(shared_page: Served) -> None:
    address = urlsplit(shared_page.address)
    with socket.create_connection((address.hostname, address.port), 10) as line:
        line.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nX-Long: " + b"a" * 200_000 + b"\r\n\r\n")
        answer = line.recv(65536)
    assert answer.startswith(b"HTTP/1.1 4")
    assert httpx.get(shared_page.address).status_code == 200


def escaped(data: Path) -> set[Path]:
    """Return files of that name anywhere but in a worker's own folder."""
    return {
        path
        for path in data.parent.rglob("*")
        if "evil" in path.name and data / "work" not in path.parents
    }


@pytest.mark.parametrize(
    "name",
    ["../../../../evil.log", "..\\..\\evil.log", "/etc/cron.d/evil", "C:\\evil.log", "a\x00b.log",
     "con.log", ".", "\u202egol.exe.log", "n" * 900 + ".log"],
)  # fmt: skip
def test_hostile_file_names_stay_names(
    shared_page: Served, client: httpx.Client, name: str
) -> None:
    before = escaped(shared_page.data)
    answer = client.post(
        "/api/reports?wait=0",
        content=b'--b\r\ncontent-disposition: form-data; name="log"; filename="'
        + name.replace("\\", "\\\\").encode()
        + b'"\r\n\r\nnot a log '
        + name.encode()
        + b"\r\n--b--\r\n",
        headers={"content-type": "multipart/form-data; boundary=b"},
    )
    assert answer.status_code in {202, 400}
    if answer.status_code == 202:
        title = answer.json()["title"]
        assert not set(title) & set('/\\:\x00\u202e"<>')
        assert len(title.encode()) <= 120
    assert escaped(shared_page.data) == before


@cache
def bombs() -> dict[str, bytes]:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("ride.log", b"\0" * (80 << 20))
    return {"bomb.log.gz": gzip.compress(b"\0" * (80 << 20), 9), "bomb.zip": packed.getvalue()}


@pytest.mark.parametrize("name", ["bomb.log.gz", "bomb.zip"])
def test_bomb_is_refused_in_words(client: httpx.Client, name: str) -> None:
    answer = send(client, name, bombs()[name])
    assert answer.status_code == 422, answer.text
    told = answer.json()
    assert told["state"] == "failed"
    assert "inflates to more than" in told["problem"]
    assert re.fullmatch(r"[0-9a-f]{8}", told["number"])


PAGES = {
    "page.html": b"<!DOCTYPE html><script>alert(1)</script>",
    "picture.svg": b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>',
    "both.log": b"GIF89a/*<html><script>alert(1)</script>*/",
    "program.log": b"MZ\x90\x00" + bytes(range(256)) * 8,
}


@pytest.mark.parametrize("name", sorted(PAGES))
def test_pages_and_polyglots_fail_as_logs_and_are_never_shown(
    client: httpx.Client, name: str
) -> None:
    answer = send(client, name, PAGES[name])
    assert answer.status_code == 422
    ride = answer.json()["id"]
    shown = client.get(f"/rides/{ride}", headers=HTML)
    assert b"<script>alert" not in shown.content  # its first line may be named, as text
    assert b'onload="alert' not in shown.content
    assert client.get(f"/rides/{ride}/report").status_code == 404


def test_markup_in_every_text_field_stays_text(
    client: httpx.Client, rides: dict[str, WrittenRide]
) -> None:
    ride = rides["speed_lost"]
    names = ("title", "complaint", "correction", "vehicle_words", "odometer", "work_order",
             "technician", "equipment", "moments")  # fmt: skip
    answer = client.post(
        "/api/reports",
        files=[
            ("log", (NASTY + ".log.gz", ride.log.read_bytes())),
            ("dbc", (NASTY + ".dbc", ride.dbc.read_bytes())),
        ],
        data=dict.fromkeys(names, NASTY),
    )
    assert answer.status_code == 200, answer.text
    name = answer.headers["x-ride"]
    vehicle = re.search(r'href="(/vehicles/\w+)"', client.get("/vehicles", headers=HTML).text)
    assert vehicle is not None
    for path in ("/", f"/rides/{name}", "/rows", "/vehicles", vehicle[1],
                 "/?text=" + NASTY, "/?work_order=" + NASTY, "/?code=" + NASTY,
                 f"/rides/{name}/report", "/" + NASTY):  # fmt: skip
        text = client.get(path, headers=HTML).text
        assert "<img src=x" not in text, path
        assert "<script>alert" not in text, path


def test_report_is_a_page_from_nowhere(client: httpx.Client, rides: dict[str, WrittenRide]) -> None:
    answer = client.post(
        "/api/reports",
        files=[(role, (path.name, path.read_bytes())) for role, path in (
            ("log", rides["speed_lost"].log), ("dbc", rides["speed_lost"].dbc),
            ("profile", rides["speed_lost"].profile))],
    )  # fmt: skip
    ride = answer.headers["x-ride"]
    policy = client.get(f"/rides/{ride}/report").headers["content-security-policy"]
    assert "sandbox allow-scripts" in policy
    assert "allow-same-origin" not in policy
    assert "connect-src 'none'" in policy
    assert "form-action 'none'" in policy


def test_ten_thousand_tiny_files_are_refused_and_leave_nothing(
    until: Until, shared_page: Served, client: httpx.Client
) -> None:
    part = b'--b\r\ncontent-disposition: form-data; name="log"; filename="a.log"\r\n\r\nx\r\n'
    answer = client.post(
        "/api/reports",
        content=part * 10_000 + b"--b--\r\n",
        headers={"content-type": "multipart/form-data; boundary=b"},
    )
    assert answer.status_code == 413
    assert "200 files" in answer.json()["problem"]
    until(lambda: not [name for name in files_in(shared_page.data) if "incoming" in name])


def test_too_large_an_upload_is_refused_before_it_comes(shared_page: Served) -> None:
    address = urlsplit(shared_page.address)
    with socket.create_connection((address.hostname, address.port), 10) as line:
        line.sendall(
            f"POST /api/reports HTTP/1.1\r\nHost: {address.netloc}\r\n"
            "Content-Length: 99999999999\r\n"
            "Content-Type: multipart/form-data; boundary=b\r\n\r\n".encode()
        )
        assert line.recv(65536).startswith(b"HTTP/1.1 413")


def test_interrupted_upload_leaves_nothing(until: Until, shared_page: Served) -> None:
    address = urlsplit(shared_page.address)
    count = httpx.get(shared_page.address + "api/reports").json()["count"]
    with socket.create_connection((address.hostname, address.port), 10) as line:
        line.sendall(
            f"POST /api/reports HTTP/1.1\r\nHost: {address.netloc}\r\nContent-Length: 9999999\r\n"
            "Content-Type: multipart/form-data; boundary=b\r\n\r\n"
            '--b\r\ncontent-disposition: form-data; name="log"; filename="h.log"\r\n\r\n'.encode()
            + b"x" * 2_000_000
        )
        until(lambda: any("incoming" in name for name in files_in(shared_page.data)))
    until(lambda: not any("incoming" in name for name in files_in(shared_page.data)))
    assert httpx.get(shared_page.address + "api/reports").json()["count"] == count


@pytest.fixture(scope="module")
def guarded_page(serving: Serving, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    every = "0.0.0.0"  # noqa: S104 - the login is what is tried here
    with serving(tmp_path_factory.mktemp("guarded") / "data", "--host", every) as found:
        yield found


def test_open_host_shows_a_secret_once_and_demands_it(guarded_page: Served) -> None:
    assert len(guarded_page.token) >= 32
    assert guarded_page.token not in guarded_page.log()
    with guarded_page.client() as client:
        for path in ("/api/reports", "/events", "/vehicles", "/rides/x/report"):
            assert client.get(path).status_code == 401
        assert send(client, "a.log", b"x").status_code == 401
        sent = client.get("/", headers=HTML)
        assert sent.status_code == 303
        assert sent.headers["location"] == "/login"
        bearer = {"authorization": f"Bearer {guarded_page.token}"}
        assert client.get("/api/reports", headers=bearer).status_code == 200
        wrong = {"authorization": f"Bearer {guarded_page.token}x"}
        assert client.get("/api/reports", headers=wrong).status_code == 401


def test_login_by_the_secret_and_out_again(guarded_page: Served) -> None:
    with guarded_page.client() as client:
        page = client.get("/login", headers=HTML).text
        found = re.search(r'name="form_token" value="([^"]+)"', page)
        assert found is not None
        secret = {"form_token": found[1], "secret": guarded_page.token}
        assert client.post("/login", data=secret).headers["location"] == "/"
        assert client.get("/", headers=HTML).status_code == 200
        assert client.post("/logout", data={"form_token": form_token(client)}).status_code == 303
        assert client.get("/api/reports").status_code == 401


def test_forged_cookie_is_no_login(guarded_page: Served) -> None:
    port = urlsplit(guarded_page.address).port
    for value in ("a.9999999999.1.x", "a.b.c.d", "....", "\u00fc"):
        cookie = f"canassist_{port}={value}".encode()
        address = guarded_page.address + "api/reports"
        assert httpx.get(address, headers=[(b"cookie", cookie)]).status_code == 401


def test_guessing_the_secret_is_slowed_down(guarded_page: Served) -> None:
    with guarded_page.client() as client:
        page = client.get("/login", headers=HTML).text
        found = re.search(r'name="form_token" value="([^"]+)"', page)
        assert found is not None
        tries = [
            client.post("/login", data={"form_token": found[1], "secret": f"guess {n}"})
            for n in range(12)
        ]
    assert tries[0].status_code == 403
    assert tries[-1].status_code == 429
    assert tries[-1].headers["retry-after"] == "60"


def test_second_server_on_a_folder_is_refused(shared_page: Served) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "canassist", "serve", "--no-browser", "--port", "0", "--data",
         str(shared_page.data)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "another canassist page is already using this folder" in done.stderr


def test_refusal_has_a_number_that_the_log_has_too(
    shared_page: Served, client: httpx.Client
) -> None:
    told = client.get("/rides/nothing").json()
    assert told["number"] in shared_page.log()
