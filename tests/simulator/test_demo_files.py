"""The demo's files hold what was simulated, by python-can and cantools."""

from __future__ import annotations

import gzip
import json
import lzma
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import can
import cantools
import cantools.database
import numpy as np
import pytest
from cantools.database.can import Database

from canassist.demo import (
    LOGS_FOLDER,
    RIDES,
    SOUND_FOLDER,
    SOUND_RIDES,
    TRAIL,
    SimulatedRide,
    WrittenRide,
    files,
    simulate,
    write_demo,
)
from canassist.demo.bus.background import BUSY, QUIET
from canassist.demo.bus.frame_table import all_frames, bus_load
from canassist.demo.bus.writers import log_bytes
from canassist.demo.memory import START_UTC
from canassist.demo.plant import faults
from canassist.errors import OutputError
from canassist.model import LIMIT_NAMES, Code, EventKind, Step
from canassist.profile import parse_profile

MEGABYTE = 1_000_000
ONE_A_CONTAINER = frozenset({"speed_lost", "supply_resistance", "weak_battery"})


def _database(path: Path) -> Database:
    database = cantools.database.load_file(path)
    assert isinstance(database, Database)
    return database


def _read(log: Path) -> list[can.Message]:
    with can.LogReader(log) as reader:
        return list(reader)


@pytest.mark.parametrize(
    "name",
    [
        # One of each container every time, the others now and then.
        pytest.param(name, marks=() if name in ONE_A_CONTAINER else pytest.mark.slow)
        for name in RIDES
    ],
)
def test_every_value_in_a_log_is_the_one_that_was_simulated(
    name: str, rides: Mapping[str, SimulatedRide], written: tuple[WrittenRide, ...]
) -> None:
    files = next(item for item in written if item.name == name)
    database = _database(files.dbc)
    messages = _read(files.log)
    start = messages[0].timestamp
    for item in rides[name].sent:
        own = [m for m in messages if m.arbitration_id == item.message.can_id]
        times = np.array([m.timestamp for m in own]) - start
        assert np.abs(times - item.time_s).max() < 5e-6  # a log keeps microseconds
        decoded = [_decoded(database, m) for m in own]
        for spec in item.message.signals:
            rows = [k for k, row in enumerate(decoded) if spec.name in row]
            assert rows
            if spec.name == item.message.checksum:
                continue
            expected = item.raw[spec.name][rows] * spec.scale + spec.offset
            seen = np.array([decoded[k][spec.name] for k in rows])
            np.testing.assert_allclose(seen, expected, atol=1e-9)


def _decoded(database: Database, message: can.Message) -> dict[str, float]:
    values = database.decode_message(
        message.arbitration_id, bytes(message.data), decode_choices=False
    )
    assert isinstance(values, dict)
    return {name: float(value) for name, value in values.items()}  # type: ignore[arg-type]  # no texts asked for


def test_logs_are_small_and_in_three_containers(written: tuple[WrittenRide, ...]) -> None:
    endings = {"".join(item.log.suffixes) for item in written}
    assert len(endings) >= 3
    assert max(item.log.stat().st_size for item in written) < MEGABYTE


def test_rides_last_three_to_six_minutes() -> None:
    assert len(RIDES) == 8
    assert all(180 <= scenario.seconds <= 360 for scenario in RIDES.values())


def test_written_twice_the_bytes_are_the_same(
    tmp_path: Path, demo_folder: Path, written: tuple[WrittenRide, ...]
) -> None:
    write_demo(tmp_path)
    files = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file())
    assert len(files) >= 2 * len(written) + 4
    for file in files:
        assert (tmp_path / file).read_bytes() == (demo_folder / file).read_bytes(), file


def test_the_project_holds_what_the_demo_writes(
    project_root: Path, demo_folder: Path, written: tuple[WrittenRide, ...]
) -> None:
    """Text to the letter; logs frame by frame, as packing differs between machines."""
    for path in sorted(demo_folder.rglob("*")):
        kept = project_root / path.relative_to(demo_folder)
        if path.suffix in {".json", ".md", ".dbc", ".toml"}:
            assert kept.read_text("utf-8") == path.read_text("utf-8"), kept.name
    for item in written:
        fresh, kept_frames = _read(item.log), _read(project_root / "sample_logs" / item.log.name)
        assert len(fresh) == len(kept_frames)
        same = sum(
            a.arbitration_id == b.arbitration_id and a.data == b.data
            for a, b in zip(fresh, kept_frames, strict=True)
        )
        # Another processor's sine may differ in its last bit, and then one value rounds otherwise.
        assert same >= 0.999 * len(fresh)


def test_the_project_holds_the_rides_of_sound_vehicles(
    project_root: Path,
    demo_folder: Path,
    written: tuple[WrittenRide, ...],
) -> None:
    """Four of them, small, a folder a vehicle; line by line but for a last bit here and there."""
    folder = Path(LOGS_FOLDER) / SOUND_FOLDER
    logs = sorted(path.relative_to(demo_folder) for path in (demo_folder / folder).rglob("*.xz"))
    assert [len(rides) for rides in SOUND_RIDES.values()] == [2, 1, 1]
    assert sum((project_root / log).stat().st_size for log in logs) < 0.4 * MEGABYTE
    assert len(logs) == 4
    for log in logs:
        fresh, kept = (
            lzma.decompress((home / log).read_bytes()).splitlines()
            for home in (demo_folder, project_root)
        )
        assert len(fresh) == len(kept)
        assert sum(a == b for a, b in zip(fresh, kept, strict=True)) >= 0.999 * len(fresh)


def test_truth_names_its_database_profile_and_known_words(
    written: tuple[WrittenRide, ...], demo_folder: Path
) -> None:
    kinds, codes = {str(kind) for kind in EventKind}, {str(code) for code in Code}
    for item in written:
        truth = json.loads(item.truth.read_text("utf-8"))
        assert truth["log"] == item.log.name
        assert (demo_folder / truth["dbc"]).is_file()
        assert (demo_folder / truth["profile"]).is_file()
        assert truth["first_conclusion"] in codes
        assert {event["kind"] for event in truth["events"]} <= kinds
        starts = [event["start_s"] for event in truth["events"]]
        assert starts == sorted(starts)


def test_database_has_every_feature_that_it_is_to_show(written: tuple[WrittenRide, ...]) -> None:
    database = _database(written[0].dbc)
    signals = [signal for message in database.messages for signal in message.signals]
    assert 6 <= len(database.messages) <= 8
    assert {signal.byte_order for signal in signals} == {"little_endian", "big_endian"}
    assert any(signal.is_signed for signal in signals)
    assert any(message.is_multiplexed() for message in database.messages)
    tables = [signal.choices for signal in signals if signal.choices]
    assert any(str(word) == "NoValue" for table in tables for word in table.values())
    assert any(str(word) == "Limited" for table in tables for word in table.values())


def test_profile_maps_every_channel_and_gives_every_limit(
    written: tuple[WrittenRide, ...],
) -> None:
    path = written[0].profile
    profile = parse_profile(path.read_text("utf-8"), path.name)
    assert profile.name == "Demo trail vehicle"
    assert profile.assumed == ()
    assert profile.gives(*LIMIT_NAMES)
    assert profile.assist_map is not None
    assert profile.integrity[0].method == "crc8-j1850"
    database = _database(path.with_suffix(".dbc"))
    for spec in profile.channels.values():
        message, signal = spec.signal.split(".")
        assert database.get_message_by_name(message).get_signal_by_name(signal)


@pytest.mark.parametrize("name", ["healthy_mixed", "speed_lost"])
def test_a_busy_bus_carries_30_to_45_percent(name: str, rides: Mapping[str, SimulatedRide]) -> None:
    table = all_frames(rides[name], BUSY)
    assert 30 <= len(BUSY) <= 40
    assert 0.30 <= bus_load(table, TRAIL.bit_rate) <= 0.45
    gaps_us = np.diff(table.time_us)
    assert gaps_us.min() >= 94  # 47 bits at 500 kbit/s: no frame ends sooner after another


def test_a_busy_log_holds_the_same_ride(tmp_path: Path, rides: Mapping[str, SimulatedRide]) -> None:
    log = tmp_path / "busy.log.gz"
    table = all_frames(rides["torque_offset"], BUSY)
    log.write_bytes(log_bytes(".log.gz", table, START_UTC, quick=True))
    messages = _read(log)
    ids = {message.arbitration_id for message in messages}
    assert len(ids) == len(BUSY) + len(TRAIL.messages)
    for sent in rides["torque_offset"].sent:
        own = [bytes(m.data) for m in messages if m.arbitration_id == sent.message.can_id]
        assert own == [bytes(row[: sent.message.length]) for row in sent.payload()]


def test_busy_rides_are_written_under_the_same_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    short = replace(RIDES["torque_offset"], stretches=RIDES["torque_offset"].stretches[:3])
    monkeypatch.setattr(files, "RIDES", {short.name: short})
    steps: list[Step] = []
    (written,) = write_demo(tmp_path, busy=True, progress=steps.append)
    assert written.log.name == "torque_offset.log.gz"
    assert {message.arbitration_id for message in _read(written.log)} > {0x0A3}
    assert [step.done for step in steps] == [0, 1]


def test_error_frames_and_a_tester_are_in_the_log(tmp_path: Path) -> None:
    short = RIDES["torque_offset"].stretches[:3]
    planted = (
        faults.ErrorFrames(from_s=3.0, until_s=3.5, each_s=0.1),
        faults.StoredCode(
            code="C1A20", text="invented", raw=(0x5A, 0x20), from_s=8.0, until_s=13.0
        ),
    )
    ride = simulate(replace(RIDES["torque_offset"], stretches=short, faults=planted))
    for ending in (".log.gz", ".asc.gz", ".blf"):
        log = tmp_path / f"short{ending}"
        log.write_bytes(log_bytes(ending, all_frames(ride, QUIET), START_UTC))
        messages = _read(log)
        start = messages[0].timestamp
        assert sum(m.is_error_frame for m in messages) == (0 if ending == ".log.gz" else 5)
        replies = [m for m in messages if m.arbitration_id == 0x7E8]
        assert [round(m.timestamp - start) for m in replies] == [8, 10, 12]
        assert bytes(replies[0].data) == bytes.fromhex("0443015A20000000")
    # python-can knows no candump error frame but of class 0x80: read the lines themselves.
    text = gzip.decompress((tmp_path / "short.log.gz").read_bytes())
    assert text.count(b" 20000008#") == 5


def test_a_folder_that_is_a_file_is_refused_with_what_to_do(tmp_path: Path) -> None:
    taken = tmp_path / "taken"
    taken.write_text("not a folder")
    with pytest.raises(OutputError, match="cannot be made") as refusal:
        write_demo(taken)
    assert "Choose a folder" in refusal.value.fix


def test_no_writer_guesses_a_format(rides: Mapping[str, SimulatedRide]) -> None:
    table = all_frames(rides["torque_offset"], QUIET).rows(slice(0, 10))
    with pytest.raises(ValueError, match="no writer"):
        log_bytes(".txt", table, START_UTC)
