"""The page's parts by themselves: names, addresses, uploads in pieces, profiles, fitting."""

from __future__ import annotations

import itertools
import tomllib
from concurrent.futures import ThreadPoolExecutor
from importlib import resources
from pathlib import Path
from threading import Thread

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canassist.demo import WrittenRide
from canassist.profile import parse_profile
from canassist.web.app import _routes
from canassist.web.http.multipart_upload import MultipartUpload
from canassist.web.http.openapi import CALLS, openapi
from canassist.web.http.page_texts import words
from canassist.web.http.refusal import Refused
from canassist.web.http.safe_names import as_download, clock_moments, file_name, role_of, stem
from canassist.web.http.sessions import RateLimiter, Sessions
from canassist.web.jobs.known_vehicles import KnownVehicle, best_fit
from canassist.web.jobs.progress_board import RideProgress
from canassist.web.jobs.queue_index import Queue
from canassist.web.pages.questions import plain_reasons
from canassist.web.settings import PageLimits, PageSettings
from canassist.web.store.content_files import Blobs
from canassist.web.store.index_database import Database
from canassist.web.store.records import NewRide, Stored
from canassist.web.store.rides_index import RidesIndex
from canassist.web.store.shelf_search import Search
from canassist.web.store.vehicles_index import with_channel, without_channel


@given(st.text(max_size=300))
def test_any_name_becomes_one_that_a_folder_takes(text: str) -> None:
    name = file_name(text)
    assert name
    assert len(name.encode()) <= 120
    assert not set(name) & set('/\\:*?"<>|\x00')
    assert name not in {".", ".."}
    assert name.isprintable()
    assert file_name(name) == name


@pytest.mark.parametrize(
    ("name", "shown", "role"),
    [
        ("ride.log.gz", "ride", "log"),
        ("C:\\rides\\Hill 3.BLF", "Hill 3", "log"),
        ("trail.dbc", "trail.dbc", "dbc"),
        ("trail.TOML", "trail.TOML", "profile"),
        (".log", "log", "log"),
    ],
)
def test_names_are_shown_without_their_log_endings(name: str, shown: str, role: str) -> None:
    assert stem(name) == shown
    assert role_of(name) == role


def test_download_name_is_encoded_as_rfc_6266_has_it() -> None:
    assert as_download("Tür\r\nx.pdf") == (
        "attachment; filename=\"T_r__x.pdf\"; filename*=UTF-8''T%C3%BCr%0D%0Ax.pdf"
    )


def test_moments_are_read_from_free_text() -> None:
    assert clock_moments("3:25, 1:02:03 and 7:10.5") == [205.0, 3723.0, 430.5]
    assert clock_moments("after lunch") == []


@pytest.mark.parametrize(
    ("host", "asked", "own"),
    [
        ("127.0.0.1", "localhost:8321", True),
        ("127.0.0.1", "LOCALHOST:8321", True),
        ("127.0.0.1", "localhost", False),
        ("127.0.0.1", "localhost:80", False),
        ("127.0.0.1", "192.168.1.4:8321", False),
        ("127.0.0.1", "localhost.evil.example:8321", False),
        ("127.0.0.1", "localhost:8321@evil.example", False),
        ("::1", "[::1]:8321", True),
        ("0.0.0.0", "192.168.1.4:8321", True),  # noqa: S104 - compared only
        ("0.0.0.0", "evil.example:8321", False),  # noqa: S104 - compared only
        ("shop.example", "shop.example:8321", True),
        ("shop.example", "10.0.0.1:8321", False),
    ],
)
def test_only_own_names_are_served(host: str, asked: str, own: bool) -> None:
    assert PageSettings(data=Path(), host=host).is_own_name(asked) is own


@given(st.text(max_size=40))
def test_host_header_of_any_text_is_judged(text: str) -> None:
    PageSettings(data=Path()).is_own_name(text)


def test_session_counts_only_with_its_key_token_and_time(monkeypatch: pytest.MonkeyPatch) -> None:
    mine = Sessions(b"k" * 32, "secret of the shop")
    session, cookie = mine.new(logged_in=True)
    assert mine.read(cookie) == session
    assert Sessions(b"k" * 32, "another secret").read(cookie) is None
    assert Sessions(b"x" * 32, "secret of the shop").read(cookie) is None
    assert mine.read(cookie.replace(".1.", ".0.")) is None
    assert mine.is_form_token(session, mine.form_token(session))
    assert not mine.is_form_token(mine.new()[0], mine.form_token(session))
    monkeypatch.setattr("time.time", lambda: 1e12)
    assert mine.read(cookie) is None


@given(st.text(max_size=60))
def test_cookie_of_any_text_is_no_session(text: str) -> None:
    assert Sessions(b"k" * 32, "").read(text) is None


def test_turnstile_counts_each_address_by_itself() -> None:
    limiter = RateLimiter(2, 60.0)
    assert [limiter.passes("a") for _ in range(3)] == [True, True, False]
    assert limiter.passes("b")


PARTS = (
    b'--cut\r\nContent-Disposition: form-data; name="complaint"\r\n\r\nheavy\r\n'
    b'--cut\r\nContent-Disposition: form-data; name="files"; filename="a.log"\r\n'
    b"Content-Type: text/plain\r\n\r\nfirst\r\n--cu not the end\r\n\r\n"
    b'--cut\r\nContent-Disposition: form-data; name="files"; filename="b.dbc"\r\n\r\nsecond\r\n'
    b'--cut\r\nContent-Disposition: form-data; name="files"; filename=""\r\n\r\n\r\n'
    b"--cut--\r\n"
)


def take(upload: MultipartUpload, data: bytes) -> None:
    upload.feed(data)
    upload.seal()


def upload_in(folder: Path, limits: PageLimits | None = None) -> MultipartUpload:
    return MultipartUpload(
        b"cut", blobs=Blobs(folder), limits=limits or PageLimits(), may_come_in=lambda _: None
    )


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(cuts=st.lists(st.integers(0, len(PARTS)), max_size=12))
def test_upload_is_the_same_however_it_is_cut(tmp_path: Path, cuts: list[int]) -> None:
    upload = upload_in(tmp_path)
    edges = [0, *sorted(cuts), len(PARTS)]
    for start, end in itertools.pairwise(edges):
        upload.feed(PARTS[start:end])
    assert upload.fields == {"complaint": "heavy"}
    assert [(one.role, one.name) for one in upload.files] == [("log", "a.log"), ("dbc", "b.dbc")]
    contents = [one.incoming.path.read_bytes() for one in upload.files]
    assert contents == [b"first\r\n--cu not the end\r\n", b"second"]
    upload.seal()
    upload.drop()
    assert list((tmp_path / "incoming").iterdir()) == []


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(length=st.integers(0, len(PARTS) - 5))
def test_upload_cut_short_leaves_nothing(tmp_path: Path, length: int) -> None:
    upload = upload_in(tmp_path)
    upload.feed(PARTS[:length])
    with pytest.raises(Refused):
        upload.seal()
    upload.drop()
    assert list((tmp_path / "incoming").iterdir()) == []
    assert list((tmp_path / "files").iterdir()) == []


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(data=st.binary(max_size=400))
def test_upload_of_any_bytes_is_refused(tmp_path: Path, data: bytes) -> None:
    upload = upload_in(tmp_path)
    with pytest.raises(Refused, match="400"):
        take(upload, b"--cut\r\n" + data)
    upload.drop()
    assert list((tmp_path / "incoming").iterdir()) == []


@pytest.mark.parametrize(
    ("limits", "status"),
    [
        (PageLimits(upload_bytes=100), "413"),
        (PageLimits(database_bytes=3), "413"),
        (PageLimits(upload_files=1), "413"),
        (PageLimits(reserve_bytes=1 << 60), "507"),
    ],
)
def test_upload_keeps_to_its_bounds(tmp_path: Path, limits: PageLimits, status: str) -> None:
    upload = upload_in(tmp_path, limits)
    with pytest.raises(Refused, match=status):
        upload.feed(PARTS)
    upload.drop()


@pytest.mark.parametrize(
    "text",
    [
        None,
        "profile = 1\n",
        "profile = 1\n[channels]\nvehicle_speed = 'A.B'",
        "profile = 1\n[channels]",
        "profile = 1\n[channels.vehicle_speed]\nsignal = 'A.B'\nscale = 2.0",
        "profile = 1\n[limits]\nderate_start_c = 90.0\n[channels] \n# remark\n",
    ],
)
def test_answer_is_added_to_a_profile_that_stays_as_it_was(text: str | None) -> None:
    data = text.encode() if text is not None else None
    new = with_channel(data, "driver_torque", 'M."x').decode()
    known = parse_profile(new, "p.toml")
    assert known.channels["driver_torque"].signal == 'M."x'
    if text is not None:
        before = parse_profile(text, "p.toml")
        others = {name: one for name, one in known.channels.items() if name != "driver_torque"}
        assert others == before.channels
        assert known.limits == before.limits


@pytest.mark.parametrize(
    "text",
    [
        "profile = 2\n[channels]\nvehicle_speed = 'A.B'\nengine_speed = 'A.C'\n",
        "profile = 2\n[channels.vehicle_speed]\nsignal = 'A.B'\ninvalid = [255]\n\n[limits]\n",
        "profile = 2\n[channels]\nengine_speed = 'A.C'\n",
    ],
)
def test_answer_about_a_unit_replaces_what_the_profile_said_and_can_be_taken_back(
    text: str,
) -> None:
    answer = '{ signal = "A.B", scale = 1.609344 }'
    new = with_channel(text.encode(), "vehicle_speed", answer)
    assert parse_profile(new.decode(), "p.toml").channels["vehicle_speed"].scale == 1.609344
    old = without_channel(new, "vehicle_speed", answer).decode()
    assert parse_profile(old, "p.toml").channels == parse_profile(text, "p.toml").channels


def test_answer_that_cannot_be_added_is_refused() -> None:
    with pytest.raises(Refused, match="409"):
        with_channel(b"channels = {vehicle_speed = 'A.B'}", "driver_torque", "C.D")


def test_vehicle_that_fits_is_found_and_another_is_not(
    rides: dict[str, WrittenRide], tmp_path: Path
) -> None:
    ride = rides["speed_lost"]
    stranger = tmp_path / "stranger.dbc"
    stranger.write_text(
        'VERSION ""\nBU_: A\n'
        + "".join(
            f'BO_ {number} M{number}: 8 A\n SG_ S{number} : 0|8@1+ (1,0) [0|0] "" A\n'
            for number in range(1, 9)
        )
    )
    other = KnownVehicle(id="other", databases=(stranger,), profile=None)
    own = KnownVehicle(id="own", databases=(ride.dbc,), profile=ride.profile)
    found = best_fit([ride.log], [other, own])
    assert found is not None
    assert found.vehicle.id == "own"
    assert found.ids_known == 8
    assert best_fit([ride.log], [other]) is None
    assert best_fit([ride.log], []) is None


def test_shelf_finds_text_as_written(tmp_path: Path) -> None:
    rides = RidesIndex(Database(tmp_path / "index.sqlite"))
    for number, title in enumerate(("50% uphill", "50 uphill", "a_b", "axb", "o'clock -- ")):
        stored = Stored(sha256=f"{number:064x}", name="x.log", size=1)
        rides.put(NewRide(title=title, files=(stored,)))
    for text, count in (("50%", 1), ("50", 2), ("a_b", 1), ("'", 1), ("--", 1), ("\\", 0)):
        assert rides.search(Search(text=text))[1] == count, text


def new_ride(number: int) -> NewRide:
    return NewRide(
        title=str(number), files=(Stored(sha256=f"{number:064x}", name="x.log", size=1),)
    )


def test_queue_is_served_in_order_and_given_up_after_some_tries(tmp_path: Path) -> None:
    database = Database(tmp_path / "index.sqlite")
    rides = RidesIndex(database)
    queue = Queue(database, rides)
    names = [rides.put(new_ride(number))[0].id for number in range(2)]
    first = queue.begin_next(2)
    assert first is not None
    assert first.id == names[0]
    assert queue.resume(2, "p", "f") == (1, 0)
    again = queue.begin_next(2)
    assert again is not None
    assert (again.id, again.attempts) == (names[0], 2)
    assert queue.resume(2, "p", "f") == (0, 1)
    told = rides.get(names[0])
    assert told is not None
    assert (told.state, told.problem) == ("failed", "p")
    database.close()


def test_outcome_of_work_that_was_put_in_anew_does_not_count(tmp_path: Path) -> None:
    database = Database(tmp_path / "index.sqlite")
    rides = RidesIndex(database)
    queue = Queue(database, rides)
    rides.put(new_ride(1))
    early = queue.begin_next(3)
    assert early is not None
    queue.again(early.id)
    late = queue.begin_next(3)
    assert late is not None
    queue.fail(early, "old", "old", "1")
    standing = rides.get(early.id)
    assert standing is not None
    assert standing.state == "working"
    queue.fail(late, "new", "new", "2")
    standing = rides.get(early.id)
    assert standing is not None
    assert (standing.state, standing.problem) == ("failed", "new")
    database.close()


def test_same_files_sent_at_once_are_one_ride(tmp_path: Path) -> None:
    database = Database(tmp_path / "index.sqlite")
    rides = RidesIndex(database)
    with ThreadPoolExecutor(8) as pool:
        placed = list(pool.map(lambda _: rides.put(new_ride(1)), range(24)))
    assert len({ride.id for ride, _ in placed}) == 1
    assert sum(is_new for _, is_new in placed) == 1
    database.close()


def test_index_closes_what_ended_threads_opened(tmp_path: Path) -> None:
    database = Database(tmp_path / "index.sqlite")
    for _ in range(40):
        thread = Thread(target=database.reading)
        thread.start()
        thread.join()
    assert database.connections <= 3
    database.close()


def test_every_text_is_used_and_every_used_text_is_there(project_root: Path) -> None:
    folder = project_root / "canassist" / "web"
    sources = [*folder.rglob("*.py"), *folder.glob("templates/*.html")]
    text = "\n".join(path.read_text("utf-8") for path in sources)
    free = {"sorts", "said", "states", "stages", "answers", "notes", "refusals", "page", "vehicles",
            "changes"}  # fmt: skip
    for part, names in words().items():
        for name in names:
            if part not in free:
                assert f"{part}.{name}" in text or f"w.{part}[" in text, f"{part}.{name}"


def test_no_text_hides_behind_a_method_of_its_part() -> None:
    for part, names in words().items():
        assert not set(names) & set(dir(dict)), part


def test_work_is_told_in_words_at_every_stage() -> None:
    for stage, done, total in (
        ("starting", 0, 0), ("matching", 0, 0), ("reading", 0, 0), ("reading", 1e6, 2e6),
        ("judging", 0, 1), ("asking", 0, 1), ("writing", 0, 1), ("comparing", 1.5, 3),
        ("a stage of tomorrow", 1, 2),
    ):  # fmt: skip
        standing = RideProgress(stage=stage, done=done, total=total)
        assert standing.words()
        assert 0.0 <= standing.share <= 1.0
    assert RideProgress(stage="comparing", done=1.5, total=3).words() == "Reading ride 2 of 3"


def test_reasons_of_a_choice_are_told_without_points() -> None:
    given = ["open: which is it", 'name says "torque" (+2.0)', "is centred, -14.7 to 15.1 (+1.0)"]
    assert plain_reasons(given) == ['name says "torque"', "is centred, -14.7 to 15.1"]


def test_texts_hold_every_conclusion(project_root: Path) -> None:
    from canassist.model import Code  # noqa: PLC0415 - only here

    del project_root
    assert {str(code) for code in Code} <= set(words()["answers"])


def test_page_asks_nobody_else(project_root: Path) -> None:
    for path in (project_root / "canassist" / "web").rglob("*"):
        if path.suffix in {".html", ".css", ".js"}:
            text = path.read_text("utf-8")
            assert "//" not in text.replace("// ", "").replace("http-equiv", ""), path
            assert "style=" not in text, path
            assert " onclick" not in text, path


def test_description_names_what_the_page_serves() -> None:
    described = openapi()
    assert described["openapi"].startswith("3.1")
    listed = {(call.method, call.path) for call in CALLS.values()}
    served = {
        (method.lower(), one.path.replace(":str", ""))
        for one in _routes()
        for method in (one.methods or set()) - {"HEAD"}
        if one.path.startswith("/api/")
    }
    assert listed == served - {("get", "/api/openapi.json")}
    assert listed == {(m, path) for path, methods in described["paths"].items() for m in methods}
    refs = str(described).count("$ref")
    assert refs
    for name in ("Refusal", "State", "Result"):
        assert name in described["components"]["schemas"]


def test_package_ships_its_files() -> None:
    home = resources.files("canassist.web")
    for name in ("http/words.toml", "store/schema.sql", "static/page.js", "templates/shelf.html"):
        assert home.joinpath(name).is_file()
    tomllib.loads(home.joinpath("http", "words.toml").read_text("utf-8"))
