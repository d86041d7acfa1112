"""MDF 4 files that are laid out in a rarely used way, through asammdf."""

from __future__ import annotations

import contextlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import numpy as np

from canassist.errors import InputError, MissingExtraError
from canassist.frames.formats.mf4.mf4_child import BYTES, TIME
from canassist.frames.formats.mf4.mf4_layout import ChannelGroup, Field
from canassist.frames.formats.mf4.mf4_records import RecordReader, whole_numbers
from canassist.frames.formats.mf4.mf4_streams import woven
from canassist.frames.frame_rows import HIGHEST_ID

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.frames.base import ReadRequest
    from canassist.model import FrameBlock, IntArray, ReadReport

_RECORDS: Final = 1 << 15  # at once
_SECONDS: Final = 60.0  # for the library to start and to give up; a hostile file can stop it
_SECONDS_A_MIB: Final = 2.0  # many times what it needs
_UNSIGNED: Final = 0
_SIGNED: Final = 2
_BYTE_ARRAY: Final = 10


def frames_by_library(
    source: BinaryIO, request: ReadRequest, report: ReadReport
) -> Iterator[FrameBlock]:
    """Yield the frames in time order, in blocks.

    The library runs in a process of its own, which a damaged file may bring down.

    Raises
    ------
    MissingExtraError
        If asammdf is not installed.
    InputError
        If it cannot read the file either.
    """
    name = report.name or "the file"
    if importlib.util.find_spec("asammdf") is None:
        raise MissingExtraError(
            f"{name}: this way of storing an MDF 4 file needs the library asammdf.",
            "Install it: pip install canassist[mf4]",
        )
    with tempfile.TemporaryDirectory(prefix="canassist-") as folder:
        path = _path_of(source, Path(folder))
        found = _taken_out(path, Path(folder), name)
        with contextlib.ExitStack() as stack:
            check = _Comparison(found["ids"])
            streams = []
            for one in found["groups"]:
                records = stack.enter_context(Path(folder, one["file"]).open("rb"))
                streams.append(_frames(records, one, request, report, check))
            yield from (block for block in woven(streams) if len(block))
            check.close(name)


class _Comparison:
    """Holds what was read against the counts of the file and the library's own sorting."""

    def __init__(self, ids: list[int]) -> None:
        self._theirs = set(ids)
        self._ours: set[int] = set()
        self._expected = self._read = 0

    def expect(self, count: int) -> None:
        self._expected += count

    def add(self, ids: IntArray, *, data_frames: bool) -> None:
        self._read += len(ids)
        if data_frames:
            self._ours.update((np.unique(ids) & HIGHEST_ID).tolist())

    def close(self, name: str) -> None:
        """Refuse what two ways of reading do not agree on.

        Raises
        ------
        InputError
        """
        if self._read != self._expected or self._ours != self._theirs:
            raise InputError(
                f"{name}: two ways of reading it do not agree ({self._read} of {self._expected}"
                f" records, {len(self._ours)} and {len(self._theirs)} identifiers).",
                "Save it in another format (BLF, ASC, candump), and send us the file.",
            )


def _path_of(source: BinaryIO, folder: Path) -> Path:
    name = getattr(source, "name", None)
    if isinstance(name, (str, os.PathLike)) and Path(name).is_file():
        return Path(name).resolve()
    path = folder / "log.mf4"
    source.seek(0)
    with path.open("wb") as copy:
        shutil.copyfileobj(source, copy, 1 << 20)
    return path


def _taken_out(path: Path, folder: Path, name: str) -> dict[str, Any]:
    """Have the child write the records; give the layout of each group (JSON, hence Any)."""
    seconds = _SECONDS + _SECONDS_A_MIB * path.stat().st_size / (1 << 20)
    command = [
        sys.executable,
        "-m",
        "canassist.frames.formats.mf4.mf4_child",
        str(path),
        str(folder),
    ]
    try:
        done = subprocess.run(  # noqa: S603 - our own module, and paths as whole arguments
            command, capture_output=True, timeout=seconds, check=True, stdin=subprocess.DEVNULL
        )
        found: dict[str, Any] = json.loads(done.stdout)
    except (subprocess.SubprocessError, OSError, ValueError) as error:
        raise InputError(
            f"{name}: cannot be read; the library asammdf fails on it.",
            "Copy it from the recorder again, or save it anew with the recorder's own tool.",
        ) from error
    return found


def _frames(
    records: BinaryIO,
    found: dict[str, Any],  # Any: it was JSON
    request: ReadRequest,
    report: ReadReport,
    check: _Comparison,
) -> Iterator[FrameBlock]:
    check.expect(found["count"])
    group = _group(found["event"], found["widths"])
    ids = group.fields.get("ID")
    reader = RecordReader(group, request, report)
    while data := records.read(group.size * _RECORDS):
        many = len(data) // group.size
        rows = np.frombuffer(data, np.uint8, many * group.size).reshape(many, group.size)
        some = np.zeros(many, dtype=np.int64) if ids is None else whole_numbers(rows, ids)
        check.add(some, data_frames=group.event == "CAN_DataFrame")
        yield reader.read(rows).block


def _group(event: str, widths: dict[str, int]) -> ChannelGroup:
    fields: dict[str, Field] = {}
    size = 0
    for name, width in widths.items():
        kind = {TIME: _SIGNED, BYTES: _BYTE_ARRAY}.get(name, _UNSIGNED)
        factor = 1e-9 if name == TIME else 1.0
        fields[name] = Field(kind=0, type=kind, byte=size, bit=0, bits=8 * width, factor=factor)
        size += width
    return ChannelGroup(
        event=event,
        record_id=0,
        records=0,
        size=size,
        variable=False,
        address=0,
        fields=fields,
        time=fields[TIME],
    )
