"""Channels and events as files, read back with the libraries of the formats."""

from __future__ import annotations

import csv
import io
import json
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from asammdf import MDF

import canassist
from canassist.errors import MissingExtraError
from canassist.export import export_files, files
from canassist.export.aligned import align

FOLDER = Path("out")


@pytest.fixture(scope="module")
def result(project_root: Path) -> canassist.Result:
    demo = project_root / "dbc_demo"
    return canassist.analyze(
        project_root / "sample_logs" / "speed_lost.log.gz",
        dbc=next(demo.glob("*.dbc")),
        profile=next(demo.glob("*.toml")),
    )


@pytest.fixture(scope="module")
def written(result: canassist.Result) -> dict[str, bytes]:
    return {path.name: content for path, content in export_files(result, FOLDER, "ride").items()}


def test_every_installed_format_is_written(written: dict[str, bytes]) -> None:
    assert set(written) == {
        "ride.events.csv",
        "ride.conclusions.csv",
        "ride.channels.csv",
        "ride.channels.parquet",
        "ride.channels.mf4",
    }


def test_a_grid_row_holds_the_last_sample_before_it(result: canassist.Result) -> None:
    aligned = align(result)
    channel = result.channels["vehicle_speed"]
    column = aligned.values["vehicle_speed [km/h]"]
    for row in range(0, len(column), 997):
        moment = aligned.time_s[row]
        before = np.flatnonzero((channel.time_s <= moment + 1e-6) & ~np.isnan(channel.value))
        fresh = len(before) and moment - channel.time_s[before[-1]] <= channel.stale_after_s + 1e-6
        expected = channel.value[before[-1]] if fresh else np.nan
        assert column[row] == pytest.approx(expected, nan_ok=True)


def test_a_lost_signal_is_a_gap_in_every_format(
    result: canassist.Result, written: dict[str, bytes], tmp_path: Path
) -> None:
    lost = next(event for event in result.events if event.kind == "signal_loss")
    assert lost.channel == "vehicle_speed"
    middle = (lost.start_s + lost.until(result.log.duration_s)) / 2
    text = pd.read_csv(io.BytesIO(written["ride.channels.csv"]))
    parquet = pd.read_parquet(io.BytesIO(written["ride.channels.parquet"]))
    for table in (text, parquet):
        row = int(np.argmin(np.abs(table["time_s"] - middle)))
        assert np.isnan(table["vehicle_speed [km/h]"][row])
        assert not np.isnan(table["supply_voltage [V]"][row])
    path = tmp_path / "ride.mf4"
    path.write_bytes(written["ride.channels.mf4"])
    with MDF(path) as recording:
        times = recording.get("vehicle_speed").timestamps
    assert not np.any(np.abs(times - middle) < 1.0)


def test_mdf_keeps_every_sample_its_time_and_its_unit(
    result: canassist.Result, written: dict[str, bytes], tmp_path: Path
) -> None:
    path = tmp_path / "ride.mf4"
    path.write_bytes(written["ride.channels.mf4"])
    with MDF(path) as recording:
        found = recording.get("supply_voltage")
        start = recording.start_time
    time_s, value = result.channels["supply_voltage"].valid()
    assert np.array_equal(found.samples, value)
    assert np.allclose(found.timestamps, time_s, atol=1e-9)
    assert found.unit == "V"
    assert start == result.log.start_utc


def test_the_same_ride_gives_the_same_bytes(
    result: canassist.Result, written: dict[str, bytes]
) -> None:
    time.sleep(0.01)  # a clock in it would tell
    again = export_files(result, FOLDER, "ride")
    assert {path.name: content for path, content in again.items()} == written


def test_mdf_of_a_log_without_a_clock_claims_no_time(
    result: canassist.Result, tmp_path: Path
) -> None:
    timeless = replace(result, log=replace(result.log, start_utc=None))
    path = tmp_path / "ride.mf4"
    files = export_files(timeless, FOLDER, "ride", formats=("mf4",))
    path.write_bytes(files[FOLDER / "ride.channels.mf4"])
    with MDF(path) as recording:
        assert recording.start_time == datetime(1970, 1, 1, tzinfo=UTC)
        assert all(entry.time_stamp.year == 1970 for entry in recording.file_history)


def test_mdf_says_words_and_claims_no_unit_for_raw_counts(
    result: canassist.Result, tmp_path: Path
) -> None:
    raw = replace(result.channels["driver_torque"], unit_known=False, signal="<CNcomment>&")
    channels = {**result.channels, "driver_torque": raw}
    known = replace(result, timeline=replace(result.timeline, channels=channels))
    files = export_files(known, FOLDER, "ride", formats=("csv", "mf4"))
    path = tmp_path / "ride.mf4"
    path.write_bytes(files[FOLDER / "ride.channels.mf4"])
    with MDF(path) as recording:
        words = {text.decode() for text in recording.get("module_status").samples.tolist()}
        torque = recording.get("driver_torque")
    assert "Limited" in words <= set(result.channels["module_status"].labels.values())
    assert torque.unit == ""
    assert torque.comment.endswith("<CNcomment>&")
    head = files[FOLDER / "ride.channels.csv"].split(b"\n")[0].decode().split(",")
    assert "driver_torque [raw]" in head
    assert "assist_torque [N·m]" in head


def test_text_channels_are_words(result: canassist.Result, written: dict[str, bytes]) -> None:
    table = pd.read_parquet(io.BytesIO(written["ride.channels.parquet"]))
    words = set(table["module_status"]) - {""}
    assert words <= set(result.channels["module_status"].labels.values())
    assert "Limited" in words


def test_events_read_back_as_they_were(result: canassist.Result, written: dict[str, bytes]) -> None:
    rows = list(csv.DictReader(io.StringIO(written["ride.events.csv"].decode("utf-8"))))
    assert len(rows) == len(result.events)
    for row, event in zip(rows, result.events, strict=True):
        assert row["kind"] == event.kind
        assert float(row["start_s"]) == pytest.approx(event.start_s, abs=0.0005)
        assert json.loads(row["measured"]).keys() == event.measured.keys()
        assert row["text"] == event.text


def test_a_spreadsheet_runs_nothing_from_a_log(result: canassist.Result) -> None:
    event = replace(result.events[0], text='=HYPERLINK("x")', code="@SUM(A1)", end_s=None)
    hostile = replace(result, events=(event,))
    content = export_files(hostile, FOLDER, "ride", formats=("csv",))[FOLDER / "ride.events.csv"]
    row = next(csv.DictReader(io.StringIO(content.decode("utf-8"))))
    assert row["text"] == '\'=HYPERLINK("x")'
    assert row["code"] == "'@SUM(A1)"
    assert row["end_s"] == ""


def test_a_missing_library_is_named_with_its_extra(
    result: canassist.Result, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "_installed", lambda library: not library)
    with pytest.raises(MissingExtraError, match="pyarrow") as caught:
        export_files(result, FOLDER, "ride", formats=("parquet",))
    assert "canassist[parquet]" in caught.value.fix
    assert FOLDER / "ride.channels.csv" in export_files(result, FOLDER, "ride")


def test_an_unknown_format_is_a_slip(result: canassist.Result) -> None:
    with pytest.raises(ValueError, match="xls"):
        export_files(result, FOLDER, "ride", formats=("xls",))
