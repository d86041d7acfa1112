"""What every reader must pass, whatever its format.

A format comes with a writer that shares no code with the reader. Each check writes frames,
reads them back through the reader alone, and compares frame by frame.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from canassist.frames.base import LogReader, ReadRequest
from canassist.model import FrameFlag, IdSet, ReadReport
from tests.frames.frame_samples import Sample, read_all

if TYPE_CHECKING:
    from collections.abc import Mapping

CUTS = 50
NONSENSE = (
    b"\0" * 700,
    b"\xff\xfe\x00garbage \x80\x81 in between",
    b"(((###,,;;; 12 34 LOBJ LOGG 0x\n",
    bytes(range(256)),
)


@dataclass(frozen=True)
class Format:
    """A reader, and how to write what it reads.

    Attributes
    ----------
    write : callable
        Turns frames into a file, in order of time.
    whole : callable
        Gives of these frames those that lie whole in the file's first so many bytes.
    offers : mapping
        Arguments for `frame_samples.frames`: what the format can hold.
    tail : callable
        Writes frames as they would follow others in a file.
    known : callable
        Gives a frame as the format can hold it.
    """

    name: str
    reader: LogReader
    write: Callable[[list[Sample]], bytes]
    whole: Callable[[list[Sample], int], list[Sample]]
    tail: Callable[[list[Sample]], bytes]
    offers: Mapping[str, object] = field(default_factory=dict)
    known: Callable[[Sample], Sample] = lambda one: one

    def __str__(self) -> str:
        return self.name


def check_reads_back(log: Format, written: list[Sample]) -> None:
    """All frames come back, in order, with every property; nothing is reported lost."""
    data = log.write(written)
    assert log.reader.matches(data[:4096])
    read, report = read_all(log.reader, data)
    assert read == [log.known(one) for one in written]
    assert not report.problems
    assert not report.skipped


def check_wish(log: Format, written: list[Sample]) -> None:
    """Unwanted frames keep their header and lose their data, or are left out altogether."""
    key = written[0].can_id | (0x8000_0000 if written[0].has(FrameFlag.EXTENDED) else 0)
    data = log.write(written)
    wanted = IdSet([key])
    whole, _ = read_all(log.reader, data)
    hit = [one.key() == written[0].key() and not one.has(FrameFlag.ERROR) for one in whole]
    read, _ = read_all(log.reader, data, ReadRequest(wanted=wanted))
    assert read == [
        one if good else one._replace(data=b"") for one, good in zip(whole, hit, strict=True)
    ]
    read, _ = read_all(log.reader, data, ReadRequest(wanted=wanted, headers=False))
    assert read == [
        one for one, good in zip(whole, hit, strict=True) if good and not one.has(FrameFlag.REMOTE)
    ]
    read, _ = read_all(log.reader, data, ReadRequest(wanted=IdSet(), headers=False))
    assert read == []
    read, _ = read_all(log.reader, data, ReadRequest(wanted=IdSet()))
    assert read == [one._replace(data=b"") for one in whole]


def check_cuts(log: Format, written: list[Sample], *, seed: int, surely: int = 0) -> None:
    """Cut a file short: it gives every frame that lies whole before its end.

    Parameters
    ----------
    surely : int
        So many frames lie before every cut: where a frame does not tell its own length,
        earlier ones of the same identifier do.
    """
    data = log.write(written)
    least = len(log.write(written[:surely]))
    for at in np.random.default_rng(seed).integers(least, len(data), CUTS).tolist():
        read, report = read_all(log.reader, data[:at])
        expected = [log.known(one) for one in log.whole(written, at)]
        assert read == expected, f"cut at byte {at} of {len(data)}"
        assert len(report.problems) <= report.MAX_PROBLEMS


def check_garbage(log: Format, before: list[Sample], after: list[Sample]) -> None:
    """Nonsense between two halves of a file costs no frame before or behind it."""
    for nonsense in NONSENSE:
        data = log.write(before) + b"\n" + nonsense + b"\n" + log.tail(after)
        read, report = read_all(log.reader, data)
        assert read == [log.known(one) for one in (*before, *after)]
        assert report.problems or not nonsense.strip(b"\0")


def check_at_once(log: Format, written: list[Sample], *, least: float) -> None:
    """Ordinary lines are read many at a time, whichever frames are asked for."""
    data = log.write(written)
    wanted = IdSet([written[0].can_id])
    for request in (
        ReadRequest(),
        ReadRequest(wanted=wanted),
        ReadRequest(wanted=wanted, headers=False),
    ):
        report = ReadReport()
        for _ in log.reader.read(io.BytesIO(data), request=request, report=report):
            pass
        lines = report.lines_at_once + report.lines_singly
        assert lines >= len(written)
        assert report.lines_at_once >= least * lines, f"{report.lines_singly} of {lines} singly"


def check_flat_blocks(log: Format, written: list[Sample], *, most: int) -> None:
    """Read a long file: it comes in several blocks, none larger than a piece of the file."""
    data = log.write(written)
    sizes = [
        len(block)
        for block in log.reader.read(
            io.BytesIO(data), request=ReadRequest(), report=ReadReport(name="long")
        )
    ]
    assert sum(sizes) == len(written)
    assert len(sizes) > 1
    assert max(sizes) <= most
