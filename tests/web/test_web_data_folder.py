"""The data folder: no index, however damaged, costs a ride or a file; copies of it are whole."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import sqlite3
import stat
import subprocess
import sys
import threading
import time
import zipfile
from collections.abc import Callable
from contextlib import AbstractContextManager, closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from canassist.cli.app import app
from canassist.errors import InputError, OutputError
from canassist.web import backup, restore
from canassist.web.settings import PageLimits
from canassist.web.shop.change_log import ChangeLog
from canassist.web.shop.shop_settings import ShopSettings, ShopStore
from canassist.web.store.content_files import Blobs
from canassist.web.store.earlier_reports import earlier_reports, keep_earlier
from canassist.web.store.migrations import VERSION
from canassist.web.store.open_index import open_index
from canassist.web.store.products import Products
from canassist.web.store.rebuild import rebuild
from canassist.web.store.records import NewRide, Stored
from canassist.web.store.repair_jobs import JobCheck, RepairJobs
from canassist.web.store.rides_index import RidesIndex
from canassist.web.store.shelf_search import Search
from canassist.web.store.vehicles_index import Vehicles

if TYPE_CHECKING:
    from tests.web.conftest import Inside

ServingInside = Callable[..., AbstractContextManager["Inside"]]
INDEX = "index.sqlite"


def old_folder(first_version: Path, tmp_path: Path) -> Path:
    """Return a copy of what version 0.1 left."""
    folder = tmp_path / "data"
    shutil.copytree(first_version / "data", folder)
    return folder


def kept(folder: Path) -> dict[str, str]:
    """Return every kept file with the hash of its content, also those in the bin."""
    paths = [*folder.glob("files/??/*"), *folder.glob("bin/*")]
    found = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}
    return {name: digest for name, digest in found.items() if name == digest}


def shelf(folder: Path) -> list[tuple[object, ...]]:
    """Return what a shelf shows, and that each report is there."""
    database = open_index(folder)
    try:
        rides, _ = RidesIndex(database).search(Search())
        blobs = Blobs(folder)
        names = Vehicles(database)
        return sorted(
            (
                ride.title, ride.state, ride.kind, ride.headline, ride.complaint, ride.work_order,
                ride.vehicle_name, ride.page, blobs.has(ride.page or "0" * 64),
                tuple(one.name for one in RidesIndex(database).files(ride.id)),
                tuple(sorted(names.settled(ride.vehicle).items())),
            )
            for ride in rides
        )  # fmt: skip
    finally:
        database.close()


@pytest.fixture
def folder(first_version: Path, tmp_path: Path) -> Path:
    """Return a folder of this version with two rides, a comparison, notes and an answer."""
    made = old_folder(first_version, tmp_path)
    database = open_index(made)
    vehicles = Vehicles(database)
    vehicles.settle(vehicles.all()[0].id, "driver_torque", "M.Torque")
    database.close()
    return made


def damaged(name: str, index: Path, dice: random.Random) -> None:
    """Damage an index in one of many ways."""
    data = bytearray(index.read_bytes())
    if name == "missing":
        index.unlink()
        return
    if name == "empty":
        data = bytearray()
    elif name.startswith("cut"):
        del data[dice.randrange(100, len(data)) :]
    elif name == "text":
        data = bytearray(b"not a database at all" * 500)
    elif name == "newer":
        data[60:64] = (VERSION + 7).to_bytes(4, "big")
    elif name == "version lost":
        data[60:64] = bytes(4)
    else:
        for _ in range(40):
            data[dice.randrange(len(data))] ^= 1 << dice.randrange(8)
    index.write_bytes(data)


DAMAGES = (
    *("missing", "empty", "text", "newer", "version lost"),
    *(f"cut {number}" for number in range(6)),
    *(f"flipped {number}" for number in range(9)),
)


@pytest.mark.parametrize("name", DAMAGES)
def test_a_damaged_index_costs_no_ride_and_no_file(folder: Path, name: str) -> None:
    """Twenty of them: refused with the way out, or mended from the records; never swept."""
    before, files = shelf(folder), kept(folder)
    dice = random.Random(name)  # noqa: S311 - a repeatable draw, nothing secret
    damaged(name, folder / INDEX, dice)
    try:
        seen, fix = shelf(folder), ""
    except InputError as error:
        seen, fix = before, error.fix
    assert seen == before
    if fix:
        assert "--rebuild" in fix
        assert "Nothing was deleted" in fix
        assert kept(folder) == files
        rebuild(folder)
        assert shelf(folder) == before
    assert kept(folder) == files
    _sweep(folder)
    assert kept(folder) == files


def test_damage_that_no_question_meets_is_found_at_the_start(folder: Path) -> None:
    """An entry is struck out of one of the file's lists: all rows can be read, not all found."""
    open_index(folder).close()
    path = folder / INDEX
    with closing(sqlite3.connect(path)) as index:
        index.execute("PRAGMA journal_mode = DELETE")
        (page,) = index.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'rides_by_time'"
        ).fetchone()
        (size,) = index.execute("PRAGMA page_size").fetchone()
    data = bytearray(path.read_bytes())
    entries = (page - 1) * size + 3  # SQLite file format, 1.6: two bytes, the number of cells
    assert int.from_bytes(data[entries : entries + 2], "big") == 3
    data[entries + 1] = 2
    path.write_bytes(data)
    with pytest.raises(InputError, match="damaged"):
        open_index(folder)


def _sweep(folder: Path) -> None:
    database = open_index(folder)
    try:
        Blobs(folder).sweep(Products(database).wanted_files)
    finally:
        database.close()


def test_twenty_damages_are_tried() -> None:
    assert len(DAMAGES) == 20


@pytest.mark.parametrize("name", ["missing", "cut 0", "text"])
def test_an_old_folder_without_its_index_gives_its_rides_back(
    first_version: Path, tmp_path: Path, name: str
) -> None:
    """Version 0.1 kept no records: finished rides are found by their reports."""
    folder = old_folder(first_version, tmp_path)
    damaged(name, folder / INDEX, random.Random(1))  # noqa: S311 - a repeatable draw
    with pytest.raises(InputError, match="index of rides"):
        open_index(folder)
    files = kept(folder)
    told = rebuild(folder)
    assert told.recovered == 3
    rows = {row[0]: row for row in shelf(folder)}
    assert set(rows) == {"ride_a", "ride_b", "ride_a against ride_b"}
    assert rows["ride_a against ride_b"][2] == "compare"
    assert rows["ride_a against ride_b"][3].startswith("No difference found between A and B")
    assert rows["ride_a"][5] == "W-1"  # its report shows it; the complaint came after it
    assert all(row[1] == "done" and row[8] for row in rows.values())
    _sweep(folder)
    assert kept(folder) == files
    assert {path.name for path in folder.glob("files/??/*")} == set(files)


def test_the_index_of_the_first_version_is_copied_and_brought_forward(
    first_version: Path, tmp_path: Path
) -> None:
    folder = old_folder(first_version, tmp_path)
    rows = shelf(folder)
    assert [row[0] for row in rows] == ["ride_a", "ride_a against ride_b", "ride_b"]
    assert rows[0][4] == "goes heavy uphill"
    assert rows[0][6] == "Demo trail vehicle"
    with closing(sqlite3.connect(folder / "index.version-1.sqlite")) as copy:
        assert copy.execute("PRAGMA user_version").fetchone()[0] == 1
        assert copy.execute("SELECT count(*) FROM rides").fetchone()[0] == 3
    with closing(sqlite3.connect(folder / INDEX)) as index:
        assert index.execute("PRAGMA user_version").fetchone()[0] == VERSION
    assert len(list(folder.glob("records/rides/*.json"))) == 3
    assert len(list(folder.glob("records/vehicles/*.json"))) == 1


def test_an_index_brought_forward_has_what_a_new_one_has(
    first_version: Path, tmp_path: Path
) -> None:
    old = open_index(old_folder(first_version, tmp_path))
    (tmp_path / "new").mkdir()
    new = open_index(tmp_path / "new")
    layouts = []
    for database in (old, new):
        ask = database.reading().execute
        names = "SELECT name FROM sqlite_master WHERE type IN ('table', 'index') ORDER BY name"
        found = [row[0] for row in ask(names).fetchall()]
        told = {one: {tuple(row)[1:] for row in ask(f"PRAGMA table_info({one})")} for one in found}
        layouts.append(told)
        database.close()
    assert layouts[0] == layouts[1]
    assert "repair_jobs" in layouts[0]


def test_jobs_checks_settings_changes_and_earlier_reports_come_back_from_their_records(
    folder: Path,
) -> None:
    database = open_index(folder)
    rides, repairs, shop = RidesIndex(database), RepairJobs(database), ShopStore(database, folder)
    ChangeLog(database).note("Ann", "opened", "W-9")
    ChangeLog(database).note("Bo", "closed", "W-9")
    changes = ChangeLog(database).latest()
    assert [one.who for one in changes] == ["Bo", "Ann"]
    ride = rides.search(Search(text="ride_b"))[0][0]
    job = repairs.open({"complaint": "heavy", "work_order": "W-9"}, ride.vehicle, "Ann")
    repairs.keep_checks(job.id, [JobCheck(text="Look", measured="clean", is_done=True)])
    rides.join([ride.id], job.id, "after")
    shop.keep(ShopSettings(name="Hill", units="us", undo_hours=48))
    with database.writing() as index:
        keep_earlier(index, ride.id, "another page")
    found = repairs.get(job.id), repairs.checks(job.id), shop.get()
    earlier = earlier_reports(database, ride.id)
    assert len(earlier) == 1
    database.close()
    rebuild(folder)
    database = open_index(folder)
    repairs, shop = RepairJobs(database), ShopStore(database, folder)
    assert (repairs.get(job.id), repairs.checks(job.id), shop.get()) == found
    assert ChangeLog(database).latest() == changes
    assert earlier_reports(database, ride.id) == earlier
    again = RidesIndex(database).get(ride.id)
    assert again is not None
    assert (again.job, again.phase) == (job.id, "after")
    database.close()


def test_every_change_is_in_the_records_before_it_is_in_the_index(folder: Path) -> None:
    database = open_index(folder)
    rides, vehicles = RidesIndex(database), Vehicles(database)
    stored = Stored(sha256=Blobs(folder).keep_bytes(b"log"), name="new.log", size=3)
    ride, _ = rides.put(NewRide(title="new", files=(stored,)))
    rides.note(ride.id, "renamed", {"complaint": "heavy"})
    vehicle = vehicles.all()[0]
    vehicles.settle(vehicle.id, "assist_torque", "M.A")
    database.close()
    record = json.loads((folder / "records" / "rides" / f"{ride.id}.json").read_text("utf-8"))
    assert record["row"]["title"] == "renamed"
    assert record["row"]["complaint"] == "heavy"
    assert record["ride_files"][0]["name"] == "new.log"
    record = json.loads((folder / "records/vehicles" / f"{vehicle.id}.json").read_text("utf-8"))
    assert {one["channel"] for one in record["settled"]} == {"driver_torque", "assist_torque"}


def test_what_cannot_be_recorded_is_not_in_the_index(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    database = open_index(folder)
    rides = RidesIndex(database)
    ride = rides.search(Search())[0][0]

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        rides.note(ride.id, "renamed", {})
    monkeypatch.undo()
    again = rides.get(ride.id)
    assert again is not None
    assert again.title == ride.title
    rides.note(ride.id, "renamed", {})
    database.close()
    assert "renamed" in {row[0] for row in shelf(folder)}


def test_an_older_index_put_back_is_brought_up_to_the_records(folder: Path) -> None:
    shutil.copy(folder / INDEX, folder / "older.sqlite")
    database = open_index(folder)
    RidesIndex(database).note(RidesIndex(database).search(Search())[0][0].id, "renamed since", {})
    database.close()
    before = shelf(folder)
    for end in ("-wal", "-shm"):
        (folder / f"{INDEX}{end}").unlink(missing_ok=True)
    (folder / "older.sqlite").replace(folder / INDEX)
    assert shelf(folder) == before
    assert "renamed since" in {row[0] for row in before}


def test_a_finished_ride_whose_report_is_gone_is_analysed_again(folder: Path) -> None:
    page = next(row[7] for row in shelf(folder) if row[0] == "ride_a")
    Blobs(folder).path(str(page)).unlink()
    assert rebuild(folder).again == 1
    assert {row[1] for row in shelf(folder) if row[0] == "ride_a"} == {"waiting"}


def test_what_is_swept_lies_in_the_bin_for_a_while(tmp_path: Path) -> None:
    blobs = Blobs(tmp_path)
    sha256 = blobs.keep_bytes(b"of nobody")
    assert blobs.sweep(set) == 1
    assert not blobs.has(sha256)
    assert (tmp_path / "bin" / sha256).read_bytes() == b"of nobody"
    assert blobs.empty_bin(time.time() - 60) == 0
    assert blobs.bring_back({sha256}) == 1
    assert blobs.has(sha256)
    blobs.sweep(set)
    assert blobs.empty_bin(time.time() + 60) == 1
    assert not list((tmp_path / "bin").iterdir())


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such access bits")
def test_the_folder_is_its_owners_alone(folder: Path) -> None:
    folder.chmod(0o755)
    for path in folder.rglob("*"):
        path.chmod(0o755 if path.is_dir() else 0o644)
    database = open_index(folder)
    blobs = Blobs(folder)
    blobs.keep_bytes(b"new")
    RidesIndex(database).note(RidesIndex(database).search(Search())[0][0].id, "x", {})
    modes = {
        (path.is_dir(), stat.S_IMODE(path.stat().st_mode)) for path in [folder, *folder.rglob("*")]
    }
    database.close()
    assert modes == {(True, 0o700), (False, 0o600)}


def test_serve_refuses_a_folder_without_its_index_and_rebuilds_it_when_asked(
    folder: Path,
) -> None:
    before = shelf(folder)
    (folder / INDEX).unlink()
    command = [sys.executable, "-m", "canassist", "serve", "--no-browser", "--port", "0"]
    command += ["--data", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 3
    assert "index of rides is missing" in done.stderr
    assert "--rebuild" in done.stderr
    with subprocess.Popen([*command, "--rebuild"], stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        assert "3 rides and 1 vehicles" in process.stderr.readline()
        process.terminate()
    assert shelf(folder) == before


def test_a_backup_gives_the_same_shelf_and_no_secret(folder: Path, tmp_path: Path) -> None:
    file, other = tmp_path / "rides.zip", tmp_path / "other"
    runner = CliRunner()
    done = runner.invoke(app, ["backup", str(folder), str(file)])
    assert done.exit_code == 0, done.output
    assert "3 rides" in done.output
    with zipfile.ZipFile(file) as packed:
        assert not [name for name in packed.namelist() if "key" in name or name.endswith(".log")]
    done = runner.invoke(app, ["restore", str(file), str(other)])
    assert done.exit_code == 0, done.output
    assert shelf(other) == shelf(folder)
    done = runner.invoke(app, ["restore", str(file), str(other)])
    assert done.exit_code == 2
    assert "nothing is overwritten" in done.output


def test_a_backup_while_twenty_uploads_run_is_whole(
    serving_inside: ServingInside, tmp_path: Path
) -> None:
    """Each copy is a shelf that was there; the last has all twenty."""
    data = tmp_path / "data"
    with serving_inside(data, PageLimits(workers=1)) as inside:

        def send(number: int) -> None:
            files = {"log": (f"r{number}.log", b"x" * 20_000 + str(number).encode())}
            answer = inside.client.post("/api/reports", params={"wait": "0"}, files=files)
            assert answer.status_code == 202

        uploads = [threading.Thread(target=send, args=(number,)) for number in range(20)]
        for upload in uploads:
            upload.start()
        counts = []
        for number in range(4):
            backup(data, tmp_path / f"{number}.zip")
            counts.append(restore(tmp_path / f"{number}.zip", tmp_path / f"copy{number}"))
        for upload in uploads:
            upload.join()
        assert backup(data, tmp_path / "last.zip") == 20
    assert counts == sorted(counts)
    for number, count in enumerate(counts):
        assert len(shelf(tmp_path / f"copy{number}")) == count
    restore(tmp_path / "last.zip", tmp_path / "last")
    rows = [(row[0], row[9]) for row in shelf(tmp_path / "last")]
    assert rows == [(row[0], row[9]) for row in shelf(data)]


@pytest.mark.parametrize("kind", ["text", "cut", "flipped", "outside", "packed", "no list", "gone"])
def test_a_backup_that_is_damaged_or_none_of_ours_is_refused(
    folder: Path, tmp_path: Path, kind: str
) -> None:
    file = tmp_path / "rides.zip"
    backup(folder, file)
    data = bytearray(file.read_bytes())
    if kind == "text":
        file.write_bytes(b"no backup")
    elif kind == "cut":
        file.write_bytes(data[: len(data) // 2])
    elif kind == "flipped":
        data[len(data) // 2] ^= 1
        file.write_bytes(data)
    elif kind == "outside":
        with zipfile.ZipFile(file, "a") as packed:
            packed.writestr("../../outside", "x")
    elif kind == "packed":
        with zipfile.ZipFile(file, "a") as packed:
            packed.writestr(f"files/00/{'0' * 64}", bytes(1 << 20), zipfile.ZIP_DEFLATED)
    elif kind == "no list":
        with zipfile.ZipFile(file, "w") as packed:
            packed.writestr(INDEX, "x")
    else:
        file.unlink()
    with pytest.raises(InputError, match=r"rides\.zip"):
        restore(file, tmp_path / "other")
    assert not (tmp_path / "other").exists()
    assert sorted(path.name for path in tmp_path.iterdir() if path.name[0] == ".") == []


def test_a_backup_packed_anew_with_another_file_is_refused(folder: Path, tmp_path: Path) -> None:
    """The archive's own checks are content with it; the file's name is its hash."""
    file = tmp_path / "rides.zip"
    backup(folder, file)
    with zipfile.ZipFile(file) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    name = next(name for name in parts if name.startswith("files/"))
    with zipfile.ZipFile(file, "w") as packed:
        for one, content in (parts | {name: b"another file"}).items():
            packed.writestr(one, content)
    with pytest.raises(InputError, match="is damaged"):
        restore(file, tmp_path / "other")
    assert not (tmp_path / "other").exists()


def test_what_is_no_data_folder_is_not_backed_up(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no data folder"):
        backup(tmp_path, tmp_path / "x.zip")
    with pytest.raises(OutputError):
        restore(tmp_path / "gone.zip", Path(__file__))


def test_disk_use_and_retention_are_shown(inside: Inside) -> None:
    inside.services.blobs.keep_bytes(b"x" * 300_000)
    text = inside.client.get("/kept", headers={"accept": "text/html"}).text
    assert "0.3 MB" in text
    assert "24 hours" in text
    assert "14 days" in text
    assert "canassist backup" in text
