"""Result files and the ledger: the same content is done once, whatever dies in between."""

from __future__ import annotations

import gzip
import hashlib
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canassist.errors import InputError, OutputError
from canassist.screen.find_logs import FoundLog
from canassist.screen.ledger import Ledger
from canassist.screen.messages import Order, ScreenedOutcome, screen_logs
from canassist.screen.result_files import (
    done_index,
    json_line,
    part_names,
    part_path,
    read_part,
    sweep,
    write_index,
    write_part,
)
from canassist.version import VERSION


def sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def a_part(folder: Path, *texts: str) -> str:
    rows = {sha(text): json_line({"sha256": sha(text), "code": text}) for text in texts}
    return write_part(folder, rows)


def test_the_same_logs_give_the_same_file_in_any_order(tmp_path: Path) -> None:
    name = a_part(tmp_path, "a", "b")
    content = part_path(tmp_path, name).read_bytes()
    assert a_part(tmp_path, "b", "a") == name
    assert part_path(tmp_path, name).read_bytes() == content
    assert list(part_names(tmp_path)) == [name]


def test_a_result_file_is_read_as_written(tmp_path: Path) -> None:
    name = a_part(tmp_path, "a", "b\u2028\n\x85ä")
    rows = read_part(tmp_path, name)
    assert rows is not None
    assert {row["code"] for row in rows} == {"a", "b\u2028\n\x85ä"}


@pytest.mark.parametrize("keep", [0, 10, -1])
def test_a_damaged_result_file_is_known_as_such(tmp_path: Path, keep: int) -> None:
    path = part_path(tmp_path, a_part(tmp_path, *map(str, range(50))))
    path.write_bytes(path.read_bytes()[:keep])
    assert read_part(tmp_path, path.name.partition(".")[0]) is None


def test_an_unknown_number_is_never_written_as_one() -> None:
    with pytest.raises(ValueError, match="JSON"):
        json_line({"path_ohm": float("nan")})


def test_what_is_no_unicode_becomes_a_question_mark() -> None:
    assert json_line({"log": "a\udcff"}) == b'{"log": "a?"}\n'


@given(
    done=st.sets(st.binary(min_size=32, max_size=32), max_size=50),
    other=st.binary(min_size=32, max_size=32),
)
def test_the_index_knows_what_is_done_and_nothing_else(
    tmp_path_factory: pytest.TempPathFactory, done: set[bytes], other: bytes
) -> None:
    path = tmp_path_factory.mktemp("index") / "done.index"
    with done_index(write_index(path, sorted(done))) as known:
        assert all(item.hex() in known for item in done)
        assert (other.hex() in known) == (other in done)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path) as opened:
        yield opened


A = FoundLog("a.log", 10, "1", "a.log")
B = FoundLog("b.log", 20, "1", "b.log")


def todo(ledger: Ledger, *, again: bool = False) -> list[str]:
    ledger.plan(again=again)
    return [item.log for item in ledger.todo()]


def test_each_log_is_planned_once_the_largest_first(ledger: Ledger, tmp_path: Path) -> None:
    assert ledger.gather([A, B, A]) == 2
    ledger.learn("s", tmp_path)
    assert todo(ledger) == ["b.log", "a.log"]


def test_what_is_done_is_not_planned_again_unless_asked(tmp_path: Path) -> None:
    with Ledger(tmp_path) as ledger:
        ledger.gather([A, B])
        ledger.learn("s", tmp_path)
        ledger.note(ScreenedOutcome("a.log", sha("a"), a_part(tmp_path, "a")))
    with Ledger(tmp_path) as ledger:
        ledger.gather([A, B])
        ledger.learn("s", tmp_path)
        assert todo(ledger) == ["b.log"]
        assert todo(ledger, again=True) == ["b.log", "a.log"]
        ledger.learn("other settings", tmp_path / "elsewhere")
        assert todo(ledger) == ["b.log", "a.log"]


@pytest.mark.parametrize("changed", ["2", ""])
def test_a_changed_log_and_one_of_unknown_change_are_read_again(
    tmp_path: Path, changed: str
) -> None:
    now = FoundLog("a.log", 10, changed, "a.log")
    before = now if not changed else A
    for item in (before, now):
        with Ledger(tmp_path) as ledger:
            ledger.gather([item])
            ledger.learn("s", tmp_path)
            assert todo(ledger) == ["a.log"]
            ledger.note(ScreenedOutcome("a.log", sha("a"), a_part(tmp_path, "a")))


def test_result_files_are_found_without_the_ledger(tmp_path: Path) -> None:
    name = a_part(tmp_path, "a")
    with Ledger(tmp_path) as ledger:
        ledger.gather([A])
        ledger.learn("s", tmp_path)
        assert [item.hex() for item in ledger.done_hashes()] == [sha("a")]
        ledger.note(ScreenedOutcome("a.log", sha("a")))  # a worker found it in the index
        assert todo(ledger) == []
        assert [part for _, part in ledger.parts()] == [name]


def test_a_result_file_that_is_gone_is_done_again(tmp_path: Path) -> None:
    name = a_part(tmp_path, "a")
    for expected in ([], ["a.log"]):
        with Ledger(tmp_path) as ledger:
            ledger.gather([A])
            ledger.learn("s", tmp_path)
            ledger.note(ScreenedOutcome("a.log", sha("a")))
            assert todo(ledger) == expected
        part_path(tmp_path, name).unlink(missing_ok=True)


def test_result_files_that_others_replaced_are_removed(ledger: Ledger, tmp_path: Path) -> None:
    ledger.gather([A, B])
    ledger.learn("s", tmp_path)
    both = a_part(tmp_path, "a", "b")
    for log, text in (("a.log", "a"), ("b.log", "b")):
        ledger.note(ScreenedOutcome(log, sha(text), both))
        ledger.note(ScreenedOutcome(log, sha(text), a_part(tmp_path, text)))
    ledger.drop_unused(tmp_path)
    assert sorted(part_names(tmp_path)) == sorted([a_part(tmp_path, "a"), a_part(tmp_path, "b")])


def test_the_same_content_twice_is_a_duplicate_at_the_later_address(
    ledger: Ledger, tmp_path: Path
) -> None:
    ledger.gather([A, B])
    ledger.learn("s", tmp_path)
    for log in ("b.log", "a.log"):
        ledger.note(ScreenedOutcome(log, sha("a"), a_part(tmp_path, "a")))
    ((part, _),) = ledger.parts()
    assert [(item.log, twice) for _, item, twice in ledger.of_part(part)] == [
        ("a.log", False),
        ("b.log", True),
    ]


def test_a_name_that_is_no_unicode_is_a_name_all_the_same(ledger: Ledger, tmp_path: Path) -> None:
    odd = FoundLog("ride\udcff.log", 1, "1", "ride\udcff.log")
    ledger.gather([odd])
    ledger.learn("s", tmp_path)
    assert todo(ledger) == [odd.log]
    ledger.note(ScreenedOutcome(odd.log, reason=f"{odd.log}: no"))
    told = [(item.log, reason) for item, reason in ledger.failed()]
    assert told == [(odd.log, "ride\\udcff.log: no")]
    assert ledger.gather([FoundLog("lost\udcff", reason="lost\udcff: gone")]) == 2


def test_two_runs_cannot_hold_one_folder(ledger: Ledger, tmp_path: Path) -> None:
    ledger.gather([A])
    with pytest.raises(OutputError, match="another screening"), Ledger(tmp_path):
        pass


@pytest.mark.parametrize("version", [None, 99])
def test_a_damaged_ledger_and_one_of_another_version_are_made_anew(
    tmp_path: Path, version: int | None
) -> None:
    path = tmp_path / "ledger.sqlite"
    if version is None:
        path.write_bytes(b"no database at all" * 100)
    else:
        base = sqlite3.connect(path)
        base.execute(f"PRAGMA user_version = {version}")
        base.close()
    with Ledger(tmp_path) as ledger:
        assert ledger.gather([A]) == 1


def test_packing_gives_the_same_bytes_at_any_time(tmp_path: Path) -> None:
    path = part_path(tmp_path, a_part(tmp_path, "a"))
    assert path.read_bytes() == gzip.compress(gzip.decompress(path.read_bytes()), 1, mtime=0)


def test_half_written_files_are_removed_when_they_are_old(tmp_path: Path) -> None:
    name = a_part(tmp_path, "a")
    home = part_path(tmp_path, name).parent
    old, new = home / ".old", home / ".new"
    for path in (old, new):
        path.write_bytes(b"half")
    os.utime(old, (0, 0))
    os.utime(part_path(tmp_path, name), (0, 0))
    sweep(tmp_path)
    assert not old.exists()
    assert new.exists()
    assert list(part_names(tmp_path)) == [name]


ORDER = Order(version=VERSION, home="", dbc=(), profile="", inputs=frozenset(), results="nowhere")


def test_a_worker_that_finds_another_database_refuses(tmp_path: Path) -> None:
    database = tmp_path / "vehicle.dbc"
    order = replace(ORDER, dbc=(str(database),), inputs=frozenset({sha("mine")}))
    with pytest.raises(InputError, match="cannot be read"):
        screen_logs(order, ("a.log",))
    database.write_text("other", "utf-8")
    with pytest.raises(InputError, match="another content"):
        screen_logs(order, ("a.log",))


@pytest.mark.parametrize("change", ["rewrite", "remove"])
def test_a_log_that_changes_under_the_work_is_not_called_damaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: str
) -> None:
    log = tmp_path / "a.log"
    log.write_text("no frame", "utf-8")

    def changing(path: Path, **_: object) -> None:
        path.write_text("other", "utf-8") if change == "rewrite" else path.unlink()
        raise InputError("a.log: no CAN frame in it.", "Choose another.")

    monkeypatch.setattr("canassist.screen.work_batch.analyze", changing)
    order = replace(ORDER, home=str(tmp_path), results=str(tmp_path / "results"))
    (done,) = screen_logs(order, ("a.log",))
    assert (done.sha256, done.part) == ("", "")
    assert done.reason
    assert not (tmp_path / "results").exists()


def test_a_worker_of_another_version_refuses(tmp_path: Path) -> None:
    order = replace(ORDER, version="0.0.0", results=str(tmp_path))
    with pytest.raises(InputError, match=r"not 0\.0\.0 as here"):
        screen_logs(order, ("a.log",))
    assert list(tmp_path.iterdir()) == []
