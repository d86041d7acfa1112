"""A whole screening on this machine: tables, overview, resume, refusals."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from canassist.errors import InputError, OutputError, UsageError
from canassist.screen import (
    SOUND_LIST,
    Screened,
    ScreeningOptions,
    find_logs,
    screen,
    vehicle_finder,
)
from canassist.screen.ledger import Ledger
from canassist.screen.parquet_tables import EVENT_COLUMNS, LOG_COLUMNS, TableWriter

if TYPE_CHECKING:
    from tests.screen.fleets import Fleet


def screened(fleet: Fleet, out: Path, options: ScreeningOptions | None = None) -> Screened:
    return screen([str(fleet.logs)], out, dbc=[fleet.dbc], profile=fleet.profile, options=options)


@pytest.fixture(scope="module")
def first(small_fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Screened:
    out = tmp_path_factory.mktemp("out")
    return screened(small_fleet, out, ScreeningOptions(reports=1))


def test_one_row_a_log_with_the_planted_fault_on_top(first: Screened) -> None:
    logs = pd.read_parquet(first.page.parent / "logs")
    assert set(LOG_COLUMNS) | {"month"} == set(logs.columns)
    by_vehicle = logs[logs.status == "read"].set_index("vehicle")
    assert list(by_vehicle.sort_index().code) == [
        "no_fault_found",
        "supply_resistance",
        "no_fault_found",
    ]
    assert [item.name for item in first.screening.vehicles if item.flagged] == ["vehicle01"]
    assert first.screening.vehicles[0].name == "vehicle01"


def test_rides_of_vehicles_that_nothing_stands_out_from_are_a_list_to_learn_from(
    first: Screened,
) -> None:
    """The list names rides and vehicles; `learn` takes it as what to read and whose it is."""
    listed = first.page.with_name(SOUND_LIST)
    rows = pd.read_csv(listed)
    sound = [item.name for item in first.screening.vehicles if item.sound]
    assert sorted(set(rows.vehicle)) == sorted(sound)
    assert "vehicle01" not in set(rows.vehicle)
    found = list(find_logs([f"@{listed}"]))
    assert [item.log for item in found] == list(rows.log)
    find_vehicle = vehicle_finder(listed, "")
    assert [find_vehicle(item).name for item in found] == list(rows.vehicle)  # type: ignore[union-attr]  # each is listed
    assert "sound_vehicles.csv" in first.page.read_text("utf-8")


def test_a_list_without_the_column_is_refused_in_words(tmp_path: Path) -> None:
    table = tmp_path / "list.csv"
    table.write_text("name,vehicle\na.log,one\n", encoding="utf-8")
    with pytest.raises(InputError, match="column log"):
        list(find_logs([f"@{table}"]))


def test_a_damaged_log_is_listed_with_its_reason(first: Screened) -> None:
    logs = pd.read_parquet(first.page.parent / "logs")
    damaged = logs[logs.status == "damaged"]
    assert [Path(name).name for name in damaged.log] == ["broken.log"]
    assert "unknown layout" in damaged.reason.iloc[0]
    assert "broken.log" in first.page.read_text("utf-8")


def test_one_row_an_event(first: Screened) -> None:
    events = pd.read_parquet(first.page.parent / "events")
    assert set(EVENT_COLUMNS) | {"month"} == set(events.columns)
    dips = events[(events.kind == "undervoltage") & (events.cause == "steering_load")]
    assert set(dips.vehicle) == {"vehicle01"}


def test_the_worst_log_has_its_report_and_the_overview_leads_there(first: Screened) -> None:
    reports = list((first.page.parent / "reports").glob("*.html"))
    assert len(reports) == 1
    assert f'href="reports/{reports[0].name}"' in first.page.read_text("utf-8")


def test_reports_of_one_vehicle_are_made_on_demand(
    first: Screened, small_fleet: Fleet, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    shutil.copytree(first.page.parent, out)
    done = screened(small_fleet, out, ScreeningOptions(report_of=("vehicle02",)))
    assert done.fresh == 0
    linked = {item.name for item in done.screening.vehicles if any(log.report for log in item.logs)}
    assert linked == {"vehicle02"}
    with pytest.raises(UsageError, match="No vehicle on the overview is called vehicle77"):
        screened(small_fleet, out, ScreeningOptions(report_of=("vehicle77",)))


def test_a_second_run_does_only_what_is_new(
    first: Screened, small_fleet: Fleet, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    shutil.copytree(first.page.parent, out)
    logs = tmp_path / "rides"
    shutil.copytree(small_fleet.logs, logs)  # elsewhere: the content is known all the same
    more = logs / "vehicle02" / "more.log"
    more.write_text("(1700000000.000000) can0 7FF#00\n", "utf-8")
    again = screened(replace(small_fleet, logs=logs), out)
    assert again.fresh == 1
    assert screened(replace(small_fleet, logs=logs), out).fresh == 0


def test_the_same_screening_gives_the_same_page(
    first: Screened, small_fleet: Fleet, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    shutil.copytree(first.page.parent, out)
    once = screened(small_fleet, out, ScreeningOptions(reports=1))
    assert once.page.read_bytes() == first.page.read_bytes()


def test_another_profile_is_another_screening(
    first: Screened, small_fleet: Fleet, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    shutil.copytree(first.page.parent, out)
    other = tmp_path / "other.toml"
    text = Path(small_fleet.profile).read_text("utf-8")
    other.write_text(text + "\n# looked at again\n", "utf-8")
    found = screened(replace(small_fleet, profile=str(other)), out)
    assert found.fresh == 4
    assert found.done_otherwise == 4
    assert first.done_otherwise == 0


def test_no_usable_log_at_all_is_refused(small_fleet: Fleet, tmp_path: Path) -> None:
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "x.log").write_text("nothing\n", "utf-8")
    with pytest.raises(InputError, match="None of 1 logs could be used"):
        screened(replace(small_fleet, logs=logs), tmp_path / "out", ScreeningOptions(workers=1))


def test_a_bad_database_is_refused_before_any_log_is_tried(
    small_fleet: Fleet, tmp_path: Path
) -> None:
    bad = tmp_path / "bad.dbc"
    bad.write_text("nothing", "utf-8")
    with pytest.raises(InputError, match=r"bad\.dbc"):
        screened(replace(small_fleet, dbc=str(bad)), tmp_path / "out")


def test_vehicle_numbers_and_markup_in_names_do_no_harm(small_fleet: Fleet, tmp_path: Path) -> None:
    logs = tmp_path / "logs"
    vin = "1M8GDM9AXKP042788"  # the check-digit example of public descriptions of VINs
    home = logs / f"{vin}<b>&"
    home.mkdir(parents=True)
    shutil.copy(small_fleet.logs / "vehicle00" / "ride.log.gz", home / "ride.log.gz")
    asked = ScreeningOptions(report_of=(home.name,))
    done = screened(replace(small_fleet, logs=logs), tmp_path / "out", asked)
    page = done.page.read_text("utf-8")
    assert vin not in page
    assert "<b>&<" not in page
    assert "2788&lt;b&gt;&amp;" in page


def test_the_command_ends_as_promised(small_fleet: Fleet, tmp_path: Path) -> None:
    def ends(*words: str) -> int:
        line = [sys.executable, "-m", "canassist", "screen", *words, "-o", str(tmp_path / "o")]
        return subprocess.run(line, capture_output=True, check=False).returncode

    known = ("--dbc", small_fleet.dbc, "--profile", small_fleet.profile, "--workers", "1")
    one = str(small_fleet.logs / "vehicle00")
    assert ends(one, *known) == 0
    assert ends(str(small_fleet.logs / "vehicle00" / "broken.log"), *known) == 3
    assert ends(one, *known, "--pattern", "{car}") == 2


def test_reports_that_are_there_are_not_written_again(
    first: Screened, small_fleet: Fleet, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    shutil.copytree(first.page.parent, out)
    (report,) = (out / "reports").glob("*.html")
    report.write_text("mine", "utf-8")
    screened(small_fleet, out, ScreeningOptions(reports=1))
    assert report.read_text("utf-8") == "mine"
    more = screened(small_fleet, out, ScreeningOptions(reports=2))
    assert report.read_text("utf-8") == "mine"
    assert more.page.read_text("utf-8").count('href="reports/') == 2
    screened(small_fleet, out, ScreeningOptions(reports=1, again=True))
    assert report.read_text("utf-8") != "mine"
    other = tmp_path / "other.toml"
    other.write_text(Path(small_fleet.profile).read_text("utf-8") + "\n# changed\n", "utf-8")
    report.write_text("mine", "utf-8")
    screened(replace(small_fleet, profile=str(other)), out, ScreeningOptions(reports=1))
    assert report.read_text("utf-8") != "mine"


def test_a_log_without_zone_is_dated_by_the_recorders_local_day(first: Screened) -> None:
    logs = pd.read_parquet(first.page.parent / "logs")
    blf = logs[logs.format == "blf"].iloc[0]
    assert pd.isna(blf.start_utc)
    assert blf.month == f"{blf.start_local:%Y-%m}" == "2026-01"
    assert "by the recorder’s local date" in first.page.read_text("utf-8")
    assert {rate.label for rate in first.screening.by_month} <= set(logs.month)


def test_a_damaged_result_file_costs_only_its_logs(
    first: Screened, small_fleet: Fleet, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    shutil.copytree(first.page.parent, out)
    part = next((out / "work").glob("*/??/*.gz"))
    part.write_bytes(part.read_bytes()[:-9])
    with pytest.raises(OutputError, match="damaged and is removed"):
        screened(small_fleet, out)
    assert (out / "logs").is_dir()  # of the run before
    assert screened(small_fleet, out).fresh == 1
    pd.testing.assert_frame_equal(
        pd.read_parquet(out / "logs"), pd.read_parquet(first.page.parent / "logs")
    )


def test_two_screenings_in_one_folder_are_told_apart(small_fleet: Fleet, tmp_path: Path) -> None:
    (tmp_path / "work").mkdir()
    with Ledger(tmp_path / "work"), pytest.raises(OutputError, match="another screening"):
        screened(small_fleet, tmp_path)


HOSTILE = (
    "=cmd|' /C calc'!A0",
    "<script>alert(1)</script>",
    "a\"b'c",
    "\u202egnp.gol",
    "new\nline",
)


@pytest.mark.skipif(os.name != "posix", reason="other systems refuse such names")
def test_hostile_names_are_harmless_and_kept(small_fleet: Fleet, tmp_path: Path) -> None:
    logs = tmp_path / "logs"
    for name in HOSTILE:
        (logs / name.replace("/", "")).mkdir(parents=True)
        (logs / name.replace("/", "") / "x.log").write_text("no frame\n", "utf-8")
    odd = logs / os.fsdecode(b"\xff\xfe") / "ride.log.gz"
    odd.parent.mkdir()
    shutil.copy(small_fleet.logs / "vehicle00" / "ride.log.gz", odd)
    done = screened(replace(small_fleet, logs=logs), tmp_path / "out", ScreeningOptions(reports=1))
    page = done.page.read_text("utf-8")
    assert page.count("<script") == 2  # our own, and what the page states, as data
    assert "\u202e" not in page
    rows = pd.read_parquet(tmp_path / "out" / "logs")
    assert set(rows.vehicle) == {name.replace("/", "") for name in HOSTILE} | {"\\udcff\\udcfe"}
    assert len(list((tmp_path / "out" / "reports").glob("*.html"))) == 1
    assert screened(replace(small_fleet, logs=logs), tmp_path / "out").fresh == 0


def test_ctrl_c_between_the_tables_is_mended_by_the_next_run(
    first: Screened, small_fleet: Fleet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    shutil.copytree(first.page.parent, out)
    take_place = TableWriter.take_place

    def stopped(writer: TableWriter) -> None:
        take_place(writer)
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(TableWriter, "take_place", stopped)
        with pytest.raises(KeyboardInterrupt):
            screened(small_fleet, out)
    assert screened(small_fleet, out).fresh == 0
    for table in ("logs", "events"):
        pd.testing.assert_frame_equal(
            pd.read_parquet(out / table), pd.read_parquet(first.page.parent / table)
        )
    assert not [path for path in out.iterdir() if path.name.startswith(".")]


def test_a_worker_that_cannot_write_ends_the_run_with_one_message(
    first: Screened, small_fleet: Fleet, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    shutil.copytree(first.page.parent, out)
    (results,) = (path for path in (out / "work").iterdir() if path.is_dir())
    shutil.rmtree(results)
    results.mkdir()
    for number in range(256):
        (results / f"{number:02x}").touch()  # files where a worker would make folders
    with pytest.raises(OutputError, match="Every worker must be able to write there"):
        screened(small_fleet, out)


def test_a_table_that_cannot_take_its_place_is_one_message(
    first: Screened, small_fleet: Fleet, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    shutil.copytree(first.page.parent, out)
    (out / ".logs.old").write_text("in the way", "utf-8")
    with pytest.raises(OutputError, match="cannot be written"):
        screened(small_fleet, out)
    pd.testing.assert_frame_equal(
        pd.read_parquet(out / "logs"), pd.read_parquet(first.page.parent / "logs")
    )
