"""Files that are one ride, files that are not, and logs that no database explains."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
import zipfile
from typing import TYPE_CHECKING

import pytest

from canassist.errors import UsageError
from canassist.pipeline import analyze
from canassist.report import render_page, result_json

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.model import Result


def _lines(project_root: Path, name: str = "healthy_mixed.log.gz") -> list[str]:
    packed = (project_root / "sample_logs" / name).read_bytes()
    return gzip.decompress(packed).decode().splitlines(keepends=True)


def _analyzed(project_root: Path, *logs: Path) -> Result:
    demo = project_root / "dbc_demo"
    return analyze(logs, dbc=next(demo.glob("*.dbc")), profile=next(demo.glob("*.toml")))


def _report(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "canassist", "report", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def _answer(result: Result) -> object:
    return [
        [(one.kind, one.cause, round(one.start_s, 1)) for one in result.events],
        [(one.code, one.strength) for one in result.conclusions],
    ]


def test_a_log_without_a_database_gets_its_page_all_the_same(project_root: Path) -> None:
    result = analyze(project_root / "sample_logs" / "healthy_mixed.log.gz")
    assert not result.timeline.channels
    assert [one.code for one in result.conclusions] == ["inconclusive"]
    assert result.log.ids == 13
    page = render_page(result, data=result_json(result))
    assert "A signal database (DBC)" in page
    assert "supplier" in page


def test_it_ends_with_status_0(project_root: Path, tmp_path: Path) -> None:
    log = project_root / "sample_logs" / "healthy_mixed.log.gz"
    done = _report(log, "-o", tmp_path / "page.html")
    assert (done.returncode, done.stderr) == (0, "")
    assert "cannot" in done.stdout
    data = json.loads((tmp_path / "page.json").read_text())
    assert data["conclusions"][0]["code"] == "inconclusive"


def test_two_rides_given_as_one_are_refused_by_name(project_root: Path, tmp_path: Path) -> None:
    """The same vehicle twice, the second ride put over the first one's time."""
    one, two = _lines(project_root), _lines(project_root, "not_charging.log.gz")
    shift = float(one[0].split()[0][1:-1]) - float(two[0].split()[0][1:-1]) + 10.0
    moved = [
        f"({float(line.split()[0][1:-1]) + shift:.6f}){line[line.index(')') + 1 :]}" for line in two
    ]
    first, second = tmp_path / "first.log", tmp_path / "second.log"
    first.write_text("".join(one))
    second.write_text("".join(moved))
    with pytest.raises(UsageError, match=r"first.log and second.log: different rides"):
        _analyzed(project_root, first, second)
    done = _report(first, second, "-o", tmp_path / "page.html")
    assert done.returncode == 2
    assert "--one-ride" in done.stderr
    assert not (tmp_path / "page.html").exists()


def test_a_file_that_feeds_no_channel_is_named_before_the_answer(
    project_root: Path, tmp_path: Path
) -> None:
    lines = _lines(project_root)
    idle = [
        f"{line.split()[0]} can1 {0x600 + n % 5:03X}#0102\n" for n, line in enumerate(lines[:9000])
    ]
    ride, other = tmp_path / "ride.log", tmp_path / "other.log"
    ride.write_text("".join(lines))
    other.write_text("".join(idle))
    result = _analyzed(project_root, ride, other)
    first = result.log.told_first[0]
    assert (first.where, first.what[:16]) == ("other.log", "feeds no channel")


@pytest.mark.parametrize("renamed", [False, True])
@pytest.mark.parametrize("dated", [False, True])
def test_true_parts_give_the_answer_of_the_whole(
    project_root: Path, tmp_path: Path, *, renamed: bool, dated: bool
) -> None:
    lines = _lines(project_root, "speed_lost.log.gz")
    whole = tmp_path / "whole.log"
    whole.write_text("".join(lines))
    parts = []
    for number in range(3):
        some = lines[number * len(lines) // 3 : (number + 1) * len(lines) // 3]
        zero = 0.0 if dated else float(some[0].split()[0][1:-1])
        bus = f"can{number}" if renamed else "can0"
        path = tmp_path / f"{number}.log"
        path.write_text(
            "".join(
                f"({float(one.split()[0][1:-1]) - zero:.6f}) {bus} {one.split()[2]}\n"
                for one in some
            )
        )
        parts.append(path)
    joined = _analyzed(project_root, *parts)
    assert len(joined.log.buses) == 1
    assert _answer(joined) == _answer(_analyzed(project_root, whole))


def test_what_an_archive_knows_of_its_vehicle_is_used_and_named(
    project_root: Path, tmp_path: Path
) -> None:
    demo = project_root / "dbc_demo"
    log = project_root / "sample_logs" / "hot_tight_turns.blf"
    packed = tmp_path / "ride.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        archive.write(log, "card/ride.blf")
        archive.write(next(demo.glob("*.dbc")), "card/vehicle.dbc")
        archive.write(next(demo.glob("*.toml")), "card/vehicle.toml")
        archive.writestr("card/other.dbc", "no database")
    result = analyze(packed)
    assert _answer(result) == _answer(_analyzed(project_root, log))
    told = {one.where: one.what for one in result.log.problems}
    assert "used after those given" in told["ride.zip, vehicle.dbc"]
    assert "used, for none is given" in told["ride.zip, vehicle.toml"]
    assert told["ride.zip, other.dbc"].startswith("left out")
    given = analyze(packed, profile=next(demo.glob("*.toml")))
    told = {one.where: one.what for one in given.log.problems}
    assert "not used" in told["ride.zip, vehicle.toml"]


def test_channels_use_the_database_and_the_profile_of_a_zip(
    project_root: Path, tmp_path: Path
) -> None:
    demo, archive = project_root / "dbc_demo", tmp_path / "ride.zip"
    with zipfile.ZipFile(archive, "w") as packed:
        packed.write(project_root / "sample_logs" / "healthy_mixed.log.gz", "ride.log.gz")
        for one in (demo / "demo_trail_vehicle.dbc", demo / "demo_trail_vehicle.toml"):
            packed.write(one, one.name)
    command = [sys.executable, "-m", "canassist", "channels", str(archive), "--json", "-"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    listing = json.loads(done.stdout)
    assert "assist_limit" in json.dumps(listing["channels"])
    assert ".dbc: a database of the archive itself" in done.stderr
    assert ".toml: a profile of the archive itself; used" in done.stderr
