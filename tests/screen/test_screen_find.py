"""Which logs are found, and which vehicle each belongs to."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from canassist.errors import InputError, UsageError
from canassist.screen.find_logs import FoundLog, find_logs
from canassist.screen.vehicle_names import vehicle_finder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("b1/car/a.log", "b1/car/b.blf", "b2/bike/c.asc.gz", "notes.md", ".hidden/d.log"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x" * len(name))
    return tmp_path


def names(places: list[str], leave_out: tuple[Path, ...] = ()) -> list[str]:
    return [Path(item.log).name for item in found(places, leave_out)]


def found(places: list[str], leave_out: tuple[Path, ...] = ()) -> list[FoundLog]:
    return sorted(find_logs(places, leave_out=leave_out), key=lambda item: item.log)


def test_a_folder_is_searched_to_the_bottom_but_for_hidden_and_other_files(folder: Path) -> None:
    assert names([str(folder)]) == ["a.log", "b.blf", "c.asc.gz"]


def test_files_patterns_and_lists_are_places_too(folder: Path) -> None:
    listed = folder / "some.list"
    listed.write_text(f"# ours\n{folder}/b2\n", "utf-8")
    places = [str(folder / "b1/car/a.log"), f"{folder}/*/car/*.blf", f"@{listed}"]
    assert names(places) == ["a.log", "b.blf", "c.asc.gz"]


def test_the_output_folder_is_left_out(folder: Path) -> None:
    assert names([str(folder)], (folder / "b1",)) == ["c.asc.gz"]


def test_a_storage_address_is_a_place(folder: Path) -> None:
    assert names([f"file://{folder}/b1"]) == ["a.log", "b.blf"]


@pytest.mark.parametrize("place", ["nowhere", "@nowhere.list"])
def test_a_missing_place_is_refused(place: str, tmp_path: Path) -> None:
    with pytest.raises(InputError):
        found([place.replace("nowhere", str(tmp_path / "nowhere"))])


def test_a_pattern_tells_vehicle_and_batch(folder: Path) -> None:
    find = vehicle_finder(None, "{batch}/{vehicle}/*")
    told = [find(item) for item in found([str(folder)])]
    assert [(item.batch, item.name) for item in told if item] == [
        ("b1", "car"),
        ("b1", "car"),
        ("b2", "bike"),
    ]


def test_a_table_tells_vehicle_batch_and_model_year(folder: Path) -> None:
    table = folder / "vehicles.csv"
    table.write_text("log,vehicle,batch,model_year\nc.asc.gz,V9,,2025\nb1/*,V1,B,\n", "utf-8")
    find = vehicle_finder(table, "")
    told = [find(item) for item in found([str(folder)], (table,))]
    assert [item.name for item in told if item] == ["V1", "V1", "V9"]
    assert told[2] is not None
    assert told[2].model_year == "2025"


def test_a_table_may_name_a_file_whose_name_looks_like_a_pattern(tmp_path: Path) -> None:
    table = tmp_path / "vehicles.csv"
    table.write_text("log,vehicle\nride[1].log,V1\nride*.log,V2\n", "utf-8")
    find = vehicle_finder(table, "")
    told = [find(FoundLog(name, inside=name)) for name in ("ride[1].log", "ride2.log", "x.log")]
    assert [item and item.name for item in told] == ["V1", "V2", None]


def test_the_folder_names_the_vehicle_where_nothing_else_does(folder: Path) -> None:
    find = vehicle_finder(None, "")
    inside = found([str(folder / "b1")])
    assert {item.name for item in map(find, inside) if item} == {"car"}
    assert find(found([str(folder / "b1/car")])[0]) is None


@pytest.mark.parametrize("pattern", ["{car}/*", "*", "{vehicle}/{vehicle}"])
def test_a_pattern_that_names_no_vehicle_is_refused(pattern: str) -> None:
    with pytest.raises(UsageError):
        vehicle_finder(None, pattern)


def test_a_table_without_the_columns_is_refused(tmp_path: Path) -> None:
    table = tmp_path / "v.csv"
    table.write_text("a,b\n1,2\n", "utf-8")
    with pytest.raises(InputError, match="columns log and vehicle"):
        vehicle_finder(table, "")


def test_a_folder_that_cannot_be_opened_is_listed_not_passed_over(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scan = os.scandir

    def refuse(path: Path) -> object:
        if Path(path).name == "car":
            raise PermissionError(13, "Permission denied", str(path))
        return scan(path)

    monkeypatch.setattr(os, "scandir", refuse)
    by_name = {Path(item.log).name: item.reason for item in found([str(folder)])}
    assert by_name == {
        "car": "car: this folder cannot be opened (Permission denied).",
        "c.asc.gz": "",
    }


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
def test_what_is_no_file_is_listed_and_never_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.log")
    (tmp_path / "lost.log").symlink_to(tmp_path / "nowhere.log")
    reasons = {Path(item.log).name: item.reason for item in found([str(tmp_path)])}
    assert reasons["pipe.log"] == "pipe.log: is no file."
    assert "cannot be read" in reasons["lost.log"]


@pytest.mark.skipif(os.name != "posix", reason="makes a link to a folder")
def test_links_to_folders_do_not_lead_round_in_circles(folder: Path) -> None:
    (folder / "b1" / "round").symlink_to(folder)
    assert names([str(folder)]) == ["a.log", "b.blf", "c.asc.gz"]
