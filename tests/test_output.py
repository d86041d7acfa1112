"""Outputs appear whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from canassist.atomic_write import write_whole
from canassist.errors import OutputError


def test_all_files_are_written(tmp_path: Path) -> None:
    write_whole({tmp_path / "a.html": b"page", tmp_path / "a.json": b"data"})
    assert (tmp_path / "a.html").read_bytes() == b"page"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.html", "a.json"]


def test_an_older_file_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a.html"
    path.write_bytes(b"old")
    write_whole({path: b"new"})
    assert path.read_bytes() == b"new"


def test_when_one_cannot_be_written_none_is_left(tmp_path: Path) -> None:
    good, bad = tmp_path / "a.html", tmp_path / "missing" / "a.json"
    with pytest.raises(OutputError, match="cannot be written"):
        write_whole({good: b"page", bad: b"data"})
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_leaves_the_older_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.html"
    path.write_bytes(b"old")

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("canassist.atomic_write.os.fdopen", full)
    with pytest.raises(OutputError, match="No space left"):
        write_whole({path: b"new"})
    assert path.read_bytes() == b"old"
    assert [item.name for item in tmp_path.iterdir()] == ["a.html"]


def test_when_the_second_name_is_taken_by_a_folder_the_first_is_not_left(tmp_path: Path) -> None:
    taken = tmp_path / "a.json"
    taken.mkdir()
    with pytest.raises(OutputError, match="cannot be written"):
        write_whole({tmp_path / "a.html": b"page", taken: b"data"})
    assert list(tmp_path.iterdir()) == [taken]


def test_an_interruption_leaves_no_half_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("canassist.atomic_write.os.fdopen", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_whole({tmp_path / "a.html": b"page"})
    assert list(tmp_path.iterdir()) == []
