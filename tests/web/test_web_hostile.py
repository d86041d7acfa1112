"""Text and files that want to be more than text and files."""

from __future__ import annotations

import io
import json
import socket
import zipfile
from collections.abc import Callable
from html.parser import HTMLParser
from typing import TYPE_CHECKING
from urllib.parse import quote, urlsplit

import pytest
from playwright.sync_api import Page

from canassist.demo import WrittenRide
from canassist.web.jobs.queue_index import Queue
from canassist.web.store.records import NOTES, NewRide, RideRecord, Stored, StoredAnswer

if TYPE_CHECKING:
    from tests.web.conftest import Inside

Until = Callable[[Callable[[], bool]], None]
NASTY = (
    """'"><img src=x onerror=alert(1)><script>alert(2)</script>{{1234*8765}}</textarea></title>"""
)
HTML = {"accept": "text/html"}
FORM = {"content-type": "multipart/form-data; boundary=b"}


OWN_SCRIPTS = {f"/static/{name}.js" for name in ("page", "follow", "drafts")}


class _Tags(HTMLParser):
    """Collects tags and attributes that no page of ours has."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "img" or (tag == "script" and dict(attrs).get("src") not in OWN_SCRIPTS):
            self.found.append(tag)
        self.found += [name for name, _ in attrs if name.startswith("on")]


def foreign(text: str) -> list[str]:
    tags = _Tags()
    tags.feed(text)
    return tags.found


def test_the_check_itself_finds_what_it_looks_for() -> None:
    assert foreign(f"<p title='{NASTY}'>") == ["img", "onerror", "script"]
    assert foreign("<script src='/static/page.js'></script><p>&lt;img&gt;</p>") == []


def answered(inside: Inside, page: str, text: str = NASTY) -> RideRecord:
    """Put a ride with a report on the shelf whose every text is this one."""
    services, data = inside.services, b"{}"
    choice = {"signal": text, "unit": text, "reasons": [text], "low": 0.0, "high": 1.0,
              "points": [[0.0, 0.0, 1.0], None]}  # fmt: skip
    question = {"channel": text, "question": text, "duration_s": 1.0, "choices": [choice]}
    vehicle = services.vehicles.add(text, [Stored(sha256="a" * 64, name=text, size=1)], None)
    services.vehicles.settle(vehicle.id, "vehicle_speed", text)
    new = NewRide(
        title=text,
        files=(Stored(sha256=services.blobs.keep_bytes(text.encode()), name=text, size=1),),
        vehicle=vehicle.id,
        vehicle_by="fit",
        notes=dict.fromkeys(NOTES, text),
    )
    ride, _ = services.rides.put(new)
    queue = Queue(services.database, services.rides)
    begun = queue.begin_next(9)
    assert begun is not None
    answer = StoredAnswer(
        page=services.blobs.keep_bytes(page.encode()),
        data=services.blobs.keep_bytes(data),
        questions=services.blobs.keep_bytes(json.dumps([question]).encode()),
        headline=text, code=text, strength=text, start_utc=text, duration_s=1.0, frames=1,
        vehicle=vehicle.id, vehicle_by="fit", vehicle_fit=text,
    )  # fmt: skip
    queue.finish(begun, answer)
    return ride


def test_markup_in_whatever_a_worker_answers_stays_text(inside: Inside) -> None:
    ride = answered(inside, "<!DOCTYPE html><p>report</p>")
    vehicle = inside.services.vehicles.all()[0]
    asked = quote(NASTY)
    for path in (
        "/", f"/rides/{ride.id}", "/rows", "/jobs", "/settings", "/vehicles",
        f"/vehicles/{vehicle.id}",
        f"/?text={asked}&work_order={asked}&vehicle={asked}&code={asked}&sort={asked}&page={asked}",
        f"/?said={asked}&deleted_at={asked}", f"/vehicles?deleted={asked}", f"/{asked}",
        f"/rides/{ride.id}?said={asked}", f"/vehicles/{vehicle.id}?said={asked}",
    ):  # fmt: skip
        answer = inside.client.get(path, headers=HTML)
        assert answer.status_code in {200, 404}, path
        assert foreign(answer.text) == [], path
        assert str(1234 * 8765) not in answer.text, path
    other = NewRide(title=NASTY, files=(Stored(sha256="c" * 64, name="x", size=1),))
    failed, _ = inside.services.rides.put(other)
    queue = Queue(inside.services.database, inside.services.rides)
    begun = queue.begin_next(9)
    assert begun is not None
    queue.fail(begun, NASTY, NASTY, NASTY)
    for path in ("/", f"/rides/{failed.id}", "/rows"):
        assert foreign(inside.client.get(path, headers=HTML).text) == [], path


def test_markup_typed_into_the_forms_stays_text(inside: Inside) -> None:
    ride = answered(inside, "<!DOCTYPE html>", "plain")
    vehicle = inside.services.vehicles.all()[0]
    token = {"form_token": inside.form_token()}
    notes = dict.fromkeys(("title", *NOTES), NASTY)
    assert inside.client.post(f"/rides/{ride.id}", data=token | notes).status_code == 303
    named = inside.client.post(f"/vehicles/{vehicle.id}", data=token | {"name": NASTY})
    assert named.status_code == 303
    kept = inside.services.rides.get(ride.id)
    assert kept is not None
    assert kept.title == kept.complaint == NASTY
    pages = [f"/rides/{ride.id}", "/", "/vehicles", f"/vehicles/{vehicle.id}"]
    for path in pages:
        assert foreign(inside.client.get(path, headers=HTML).text) == [], path
    gone = inside.client.post("/delete", data=token | {"ride": ride.id}, headers=HTML)
    assert foreign(inside.client.get(gone.headers["location"], headers=HTML).text) == []
    for path in ("/?deleted=1", f"/vehicles?deleted={vehicle.id}"):
        assert foreign(inside.client.get(path, headers=HTML).text) == [], path


HOSTILE_REPORT = """<!DOCTYPE html><html><body>
<form id="f" method="post" action="/delete"><input name="ride" value="RIDE"></form>
<img src="/rides/RIDE"><iframe src="/"></iframe>
<script>
(async () => {
  const tried = {};
  const tries = {
    read: () => fetch("/api/reports"),
    send: () => fetch("/api/reports", { method: "POST", body: new FormData() }),
    blind: () => fetch("/delete", { method: "POST", mode: "no-cors", body: "ride=RIDE" }),
    beacon: () => { if (!navigator.sendBeacon("/delete", "ride=RIDE")) throw new Error(); },
    frame: () => document.querySelector("iframe").contentDocument.body.innerText,
    cookie: () => document.cookie,
    store: () => localStorage.length,
    worker: () => new Worker("/static/page.js"),
    code: () => import("/static/page.js"),
    request: () => new Promise((good, bad) => {
      const asked = new XMLHttpRequest();
      asked.open("POST", "/delete");
      asked.onload = good;
      asked.onerror = bad;
      asked.send("ride=RIDE");
    }),
    events: () => new Promise((good, bad) => {
      const news = new EventSource("/events"); news.onopen = good; news.onerror = bad;
    }),
  };
  for (const name of Object.keys(tries)) {
    try { await tries[name](); tried[name] = "reached"; } catch (error) { tried[name] = "kept in"; }
  }
  document.getElementById("f").submit();
  window.tried = tried;
})();
</script></body></html>"""


def test_hostile_report_reaches_nothing(until: Until, inside: Inside, page: Page) -> None:
    inside.client.get("/")
    ride = answered(inside, "", "plain")
    assert ride.id
    report = HOSTILE_REPORT.replace("RIDE", ride.id)
    sha256 = inside.services.blobs.keep_bytes(report.encode())
    with inside.services.database.writing() as index:
        index.execute("UPDATE rides SET page = ?", (sha256,))
    asked: list[tuple[str, str]] = []
    page.goto(inside.address)  # so that there is a session that could be misused
    page.on("requestfinished", lambda one: asked.append((one.method, urlsplit(one.url).path)))
    page.goto(f"{inside.address}rides/{ride.id}/report")
    until(lambda: page.evaluate("Boolean(window.tried)"))
    tried: dict[str, str] = page.evaluate("window.tried")
    assert len(tried) == 11
    assert {name for name, what in tried.items() if what == "reached"} <= {"beacon"}
    assert page.url.endswith("/report")
    page.goto(inside.address)
    assert [one for one in asked if one[0] != "GET"] == []
    assert {path for _, path in asked} <= {"/", f"/rides/{ride.id}/report", "/static/style.css",
                                           *OWN_SCRIPTS, "/events"}  # fmt: skip
    kept = inside.services.rides.get(ride.id)
    assert kept is not None
    assert not kept.deleted


def test_database_that_is_a_page_is_only_ever_saved_as_a_file(
    inside: Inside, rides: dict[str, WrittenRide]
) -> None:
    content = b'VERSION "<script>alert(1)</script>"\n' + rides["speed_lost"].dbc.read_bytes()
    sent = inside.client.post(
        "/upload",
        files={"files": ("page.dbc", content)},
        headers={"x-form-token": inside.form_token(), "accept": "application/json"},
    )
    assert sent.status_code == 200, sent.text
    answer = inside.client.get(f"/vehicles/{sent.json()['vehicle']}/files/0", headers=HTML)
    assert answer.content == content
    assert answer.headers["content-type"] == "application/octet-stream"
    assert answer.headers["content-disposition"].startswith("attachment;")
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("count", [1000, pytest.param(10_000, marks=pytest.mark.slow)])
def test_archive_of_tiny_files_is_answered_in_words(inside: Inside, count: int) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for number in range(count):
            archive.writestr(f"../../{number}.log", b"(1.0) can0 123#00\n")
    sent = {"log": ("tiny.zip", packed.getvalue())}
    answer = inside.client.post("/api/reports", files=sent)
    assert answer.status_code == 200  # frames without a channel get their page
    told = answer.json()
    assert [item["code"] for item in told["conclusions"]] == ["inconclusive"]
    assert len(told["log"]["problems"]) < 200
    assert not list(inside.data.parent.glob("*.log"))


@pytest.mark.parametrize(
    "head",
    [
        pytest.param(b"X-Long: " + b"a" * 200_000 + b"\r\n", id="one long"),
        pytest.param(b"".join(b"X-%d: a\r\n" % n for n in range(20_000)), id="many"),
        pytest.param(b"Cookie: " + b"a=b; " * 30_000 + b"\r\n", id="cookies"),
    ],
)
@pytest.mark.parametrize("path", [b"/", b"/" + b"a" * 100_000])
def test_huge_head_is_refused(shared_inside: Inside, path: bytes, head: bytes) -> None:
    address = urlsplit(shared_inside.address)
    with socket.create_connection((address.hostname, address.port), 10) as line:
        line.sendall(b"GET " + path + b" HTTP/1.1\r\nHost: x\r\n" + head + b"\r\n")
        assert line.recv(65536).startswith(b"HTTP/1.1 4")
    assert shared_inside.client.get("/").status_code == 200


@pytest.mark.parametrize(
    "part",
    [
        pytest.param(b"content-disposition: " + b"a" * 500_000, id="long value"),
        pytest.param(b"x" * 500_000 + b": a", id="long name"),
        pytest.param(b"\r\n".join(b"x-%d: a" % n for n in range(10_000)), id="many"),
        pytest.param(
            b'content-disposition: form-data; name="log"; filename="' + b"a" * 2000 + b'"',
            id="long file name",
        ),
    ],
)
def test_huge_head_of_a_part_is_refused(shared_inside: Inside, part: bytes) -> None:
    content = b"--b\r\n" + part + b"\r\n\r\nx\r\n--b--\r\n"
    answer = shared_inside.client.post("/api/reports", content=content, headers=FORM)
    assert answer.status_code in {400, 413}
    assert answer.json()["problem"]
    assert shared_inside.leftovers() == []


@pytest.mark.parametrize(
    ("content", "status"),
    [
        pytest.param(b'--b\r\ncontent-disposition: form-data; name="n%d"\r\n\r\n1\r\n', 413,
                     id="many fields"),
        pytest.param(b'--b\r\ncontent-disposition: form-data; name="log"; filename=""\r\n\r\n\r\n',
                     413, id="many empty fields"),
    ],
)  # fmt: skip
def test_ten_thousand_fields_are_refused(
    shared_inside: Inside, content: bytes, status: int
) -> None:
    parts = b"".join(content.replace(b"%d", str(n).encode()) for n in range(10_000))
    answer = shared_inside.client.post("/api/reports", content=parts + b"--b--\r\n", headers=FORM)
    assert answer.status_code == status
    assert shared_inside.leftovers() == []


def test_refused_upload_keeps_no_file(shared_inside: Inside) -> None:
    sent = {"log": ("ride.log", b"(1.0) can0 123#00\n")}
    answer = shared_inside.client.post("/api/reports", files=sent, data={"vehicle": "nobody's"})
    assert answer.status_code == 400
    assert shared_inside.leftovers() == []
