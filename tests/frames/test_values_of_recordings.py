"""Every recording beside this project: frames as python-can reads them, values as cantools does.

Counts, identifiers, lengths, flags and data of each identifier are equal in order, and so is
every value of every signal that the vehicle's database knows. Times differ only where the
recorder's clock had to be repaired, by what the report of the reading says.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import can
import numpy as np
import pytest
from cantools.database.errors import DecodeError

from canassist.decode import FrameCollector, load_databases
from canassist.decode.signals.extract import decode_signal
from canassist.frames import open_log
from canassist.model import EXTENDED_KEY, FrameFlag
from tests.decode.random_signals import same_bits
from tests.decode.test_shared_databases import alone, has_overlap, reference
from tests.frames.frame_samples import samples_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cantools.database.can import Message

    from canassist.decode import MessageLayout
    from canassist.model import FloatArray, MessageFrames

DATABASES = {
    "car_a": "dbc/car_a_800kB.dbc",
    "car_b": "dbc/car_b.dbc",
    "car_d": "dbc/car_c_d.dbc",
    "car_e": "dbc/car_e_f_i.dbc",
    "car_f": "dbc/car_e_f_i.dbc",
    "car_h": "dbc/car_h.dbc",
    "car_i": "dbc/car_e_f_i.dbc",
    "car_l": "dbc/car_c_d.dbc",
    "car_m": "dbc_real/real_01.dbc",
}
"""Which database is each vehicle's; the others have none."""

REPAIRED = {"clock_bundles_back_6s.trc", "two_bus_out_of_order.csv"}
"""Their frames do not stand in time order: identifiers are compared as sets of frames."""

WITHOUT_FRAMES = {"test_batch.mf4", "test_metadata.mf4"}
"""Measured signals and no bus: python-can finds no frame in them either."""

BUS_WARNINGS = "test_CanMessage_V"
"""TRC samples with one ``Warng`` line each, kept as an error frame; python-can passes over it."""

LONGER_THAN_CLASSIC = {"single_frame.asc", "test_CanMessage.blf", "test_CanMessage2.blf"}
"""Classic frames whose length says 64 or 51. An ASC line that holds 64 bytes keeps them (python-can
cuts them to 8); a BLF object has room for 8, so it is 8 bytes long (python-can repeats the 51)."""

ENDINGS = {".log", ".trc", ".asc", ".csv", ".blf", ".mf4", ".gz"}
SHORT = {
    "thinned_recorder_9s.log",
    "trip1_cut_a.blf",
}
"""Read by default; all others are marked slow."""

FOLDER = Path(__file__).resolve().parents[2].parent / "shared" / "data"


class Seen(NamedTuple):
    """What is compared of one frame."""

    data: bytes
    length: int
    remote: bool
    error: bool


Key = tuple[str, int]
"""Bus and identifier, with `EXTENDED_KEY` added for a 29-bit one."""


def _paths() -> list[Path]:
    folders = [*FOLDER.glob("car_*"), *(FOLDER / name for name in ("truck_a", "odd_real"))]
    found = [path for folder in [*folders, FOLDER / "containers"] for path in folder.glob("*")]
    return sorted(
        path for path in found if path.suffix in ENDINGS and not path.name.startswith("ref_")
    )


CASES = [
    pytest.param(
        path.relative_to(FOLDER).as_posix(),
        marks=[] if path.name in SHORT or path.parent.name == "containers" else pytest.mark.slow,
        id=path.name,
    )
    for path in _paths()
] or [pytest.param("", marks=pytest.mark.skip(reason="the real recordings are not here"))]


@pytest.mark.parametrize("name", CASES)
def test_frames_and_values_are_those_of_other_programs(shared_data: Path, name: str) -> None:
    path = shared_data / name
    theirs = _theirs(path)
    if path.name in WITHOUT_FRAMES:
        assert not theirs
        return
    ours, frames = _ours(path)
    if path.name.startswith(BUS_WARNINGS):
        warnings = [row for rows in ours.values() for row in rows if row.error]
        assert len(warnings) == 1
        ours = {key: [row for row in rows if not row.error] for key, rows in ours.items()}
    if path.name in LONGER_THAN_CLASSIC:
        ours, theirs = _first_bytes(ours), _first_bytes(theirs)
    assert {key: len(rows) for key, rows in ours.items()} == {
        key: len(rows) for key, rows in theirs.items()
    }
    for key, rows in ours.items():
        if path.name in REPAIRED:
            assert sorted(rows) == sorted(theirs[key]), key
        else:
            assert rows == theirs[key], key
    database = DATABASES.get(path.parent.name)
    if database:
        compared = _compare_values(shared_data / database, frames)
        assert compared > 20 * len(frames)


def _first_bytes(frames: dict[Key, list[Seen]]) -> dict[Key, list[Seen]]:
    return {
        key: [row._replace(data=row.data[:8], length=min(row.length, 8)) for row in rows]
        for key, rows in frames.items()
    }


def _ours(path: Path) -> tuple[dict[Key, list[Seen]], list[MessageFrames]]:
    recording = open_log([path])
    collector = FrameCollector()
    found: dict[Key, list[Seen]] = defaultdict(list)
    for block in recording.blocks():
        collector.feed(block)
        for one in samples_of(block, recording.buses):
            error = one.has(FrameFlag.ERROR)
            key = one.can_id | (EXTENDED_KEY if one.has(FrameFlag.EXTENDED) else 0)
            data, length = (b"", 0) if error else (one.data, one.length)
            seen = Seen(data, length, one.has(FrameFlag.REMOTE), error)
            found[one.bus, 0 if error else key].append(seen)
    return found, list(collector.finish(recording.zero_ns).values())


def _theirs(path: Path) -> dict[Key, list[Seen]]:
    """Read with python-can; the table whose columns it does not know, by the columns' names."""
    found: dict[Key, list[Seen]] = defaultdict(list)
    if path.suffix == ".csv":
        with path.open(newline="") as source:
            for row in csv.DictReader(source):
                data = bytes(int(row[f"D{place}"], 16) for place in range(1, int(row["LEN"]) + 1))
                wide = EXTENDED_KEY if row["Extended"] == "true" else 0
                seen = Seen(data, len(data), remote=False, error=False)
                found[row["Bus"], int(row["ID"], 16) | wide].append(seen)
        return found
    for one in _in_time(path):
        key = one.arbitration_id | (EXTENDED_KEY if one.is_extended_id else 0)
        error = one.is_error_frame
        data, length = (b"", 0) if error else (bytes(one.data), one.dlc)
        seen = Seen(data, length, one.is_remote_frame, error)
        found[_bus(one, path), 0 if error else key].append(seen)
    return found


def _in_time(path: Path) -> Iterator[can.Message]:
    with can.LogReader(path) as log:
        yield from sorted(log, key=lambda one: one.timestamp)


def _bus(one: can.Message, path: Path) -> str:
    """Name a bus as its file does: python-can counts some from 0 where the file has 1."""
    if path.suffix in {".blf", ".asc", ".gz"} and isinstance(one.channel, int):
        return str(one.channel + 1)
    return str(one.channel)


def _compare_values(database: Path, frames: list[MessageFrames]) -> int:
    """Decode every known identifier both ways; give how many values were compared."""
    theirs = reference(database)
    ours = {message.key: message for message in load_databases([database]).messages}
    assert set(ours) == set(theirs)
    compared = 0
    for one in frames:
        if one.source.key in ours:
            compared += _same_values(one, ours[one.source.key], theirs[one.source.key])
    return compared


def _same_values(frames: MessageFrames, ours: MessageLayout, theirs: Message) -> int:
    singles = [theirs]
    if has_overlap(theirs):
        singles = [alone(theirs, signal) for signal in theirs.signals]
    rows = [
        row[:length].tobytes()
        for row, length in zip(frames.payload, frames.length.tolist(), strict=True)
    ]
    compared = 0
    for message in singles:
        decoded = {data: _decoded(message, data) for data in set(rows)}
        for signal in message.signals:
            present = [row for row, data in enumerate(rows) if signal.name in decoded[data]]
            samples = decode_signal(frames, ours, ours.by_name[signal.name])
            whole = ~samples.short
            expected: FloatArray = np.array([decoded[rows[row]][signal.name] for row in present])
            assert samples.time_s[whole].tolist() == frames.time_s[present].tolist(), signal
            assert same_bits(samples.value[whole], expected), signal
            compared += len(present)
    return compared


def _decoded(message: Message, data: bytes) -> dict[str, float]:
    """Decode what a frame holds, however short it is."""
    try:
        decoded = message.decode_simple(data, decode_choices=False, allow_truncated=True)
    except DecodeError:  # a selector value that no signal has
        return {}
    return {name: float(value) for name, value in decoded.items()}  # type: ignore[arg-type]  # no texts
