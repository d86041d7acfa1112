"""Every format is found by its content, whatever its name and whatever it is packed in."""

from __future__ import annotations

import bz2
import contextlib
import gzip
import io
import lzma
import sqlite3
import zipfile
from typing import TYPE_CHECKING

import pytest

from canassist.frames import ReadRequest, open_log
from canassist.model import FrameFlag, silent
from tests.frames.frame_samples import Sample, samples_of
from tests.frames.more_formats import MORE_FORMATS
from tests.frames.test_mf4 import mf4_log
from tests.frames.test_sqlite import TABLE, row_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

MS_NS = 1_000_000


def _sqlite_log(many: list[Sample]) -> bytes:
    with contextlib.closing(sqlite3.connect(":memory:")) as database:
        database.execute(TABLE)
        database.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", map(row_of, many))
        database.commit()
        return bytes(database.serialize())


WRITERS: dict[str, Callable[[list[Sample]], bytes]] = {log.name: log.write for log in MORE_FORMATS}
WRITERS |= {"mf4": mf4_log, "sqlite": _sqlite_log}
BUS = {"console": "can0", "csv table": "can0", "pcapng": "can0", "mf4": "1"}
BUS |= {"trc 1.1": "1", "trc 2.1": "1"}


def _zipped(data: bytes) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("folder/ride.bin", data)
    return packed.getvalue()


PACKINGS: dict[str, Callable[[bytes], bytes]] = {
    "plain": bytes,
    "gz": gzip.compress,
    "bz2": bz2.compress,
    "xz": lzma.compress,
    "zip": _zipped,
}


@pytest.mark.parametrize("packing", PACKINGS)
@pytest.mark.parametrize("name", WRITERS)
def test_a_log_with_a_wrong_name_is_read_whole(tmp_path: Path, name: str, packing: str) -> None:
    bus = BUS.get(name, "CAN")
    written = [
        Sample(
            (1_700_000_000_000 + n) * MS_NS if bus != "1" else n * MS_NS,
            bus,
            0x100 + n % 5,
            int(FrameFlag.EXTENDED) if n % 5 == 2 else 0,
            8,
            bytes([n % 256] * 8),
        )
        for n in range(300)
    ]
    path = tmp_path / "ride.doc"
    path.write_bytes(PACKINGS[packing](WRITERS[name](written)))
    recording = open_log([path])
    read = [
        sample
        for block in recording.blocks(request=ReadRequest(), progress=silent)
        for sample in samples_of(block, list(recording.buses))
    ]
    first = read[0].time_ns
    assert [one._replace(time_ns=one.time_ns - first) for one in read] == [
        one._replace(time_ns=one.time_ns - written[0].time_ns) for one in written
    ]
    assert not recording.problems
