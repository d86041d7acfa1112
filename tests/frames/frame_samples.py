"""Random frames for writing with one program and reading back with ours."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, NamedTuple

import can
import numpy as np
from hypothesis import strategies as st

from canassist.frames.base import ReadRequest
from canassist.model import FrameFlag, ReadReport

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canassist.frames.base import LogReader
    from canassist.model import FrameBlock

FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)
EVERYTHING = ReadRequest()


class Sample(NamedTuple):
    """One frame as the tests compare it."""

    time_ns: int
    bus: str
    can_id: int
    flags: int
    length: int
    data: bytes

    def has(self, flag: FrameFlag) -> bool:
        return bool(self.flags & flag)

    def key(self) -> tuple[int, bool]:
        """Return what the identifier sets of the decoder tell apart."""
        return self.can_id, self.has(FrameFlag.EXTENDED)


def samples_of(block: FrameBlock, buses: list[str]) -> list[Sample]:
    """Take a block apart, and hold it to what the model promises."""
    count = len(block)
    assert all(
        len(column) == count for column in (block.bus, block.can_id, block.flags, block.length)
    )
    assert block.time_ns.dtype == np.int64
    assert block.can_id.dtype == np.uint32
    assert block.payload.dtype == np.uint8
    assert len(block.payload) == len(block.payload_row)
    assert block.payload.shape[1] in {8, 64}
    assert (np.diff(block.payload_row) > 0).all()
    rows = dict(zip(block.payload_row.tolist(), block.payload, strict=True))
    samples = []
    for row in range(count):
        length = int(block.length[row])
        data = rows[row].tobytes() if row in rows else b""
        assert not data[length:].strip(b"\0"), "payload beyond the length must be zero"
        samples.append(
            Sample(
                int(block.time_ns[row]),
                buses[block.bus[row]],
                int(block.can_id[row]),
                int(block.flags[row]),
                length,
                data[:length],
            )
        )
    return samples


def read_all(
    reader: LogReader, log: bytes | BinaryIO | Path, request: ReadRequest = EVERYTHING
) -> tuple[list[Sample], ReadReport]:
    """Read a whole log."""
    report = ReadReport()
    source: BinaryIO
    if isinstance(log, bytes):
        source = io.BytesIO(log)
    else:
        source = log.open("rb") if isinstance(log, Path) else log
    with source:
        frames = [
            sample
            for block in reader.read(source, request=request, report=report)
            for sample in samples_of(block, report.buses)
        ]
    assert len(report.problems) <= ReadReport.MAX_PROBLEMS
    return frames, report


def _flags(pairs: Iterable[tuple[bool, FrameFlag]]) -> int:
    return int(sum(flag for given, flag in pairs if given))


@st.composite
def frames(
    draw: Callable[[st.SearchStrategy[object]], object],
    *,
    time_step_ns: int = 1000,
    start_ns: int = 1_700_000_000_000_000_000,
    latest_s: int = 100_000,
    buses: tuple[str, ...] = ("can0", "can1"),
    remote: bool = True,
    fd: bool = True,
    direction: bool = True,
) -> Sample:
    """Draw one frame whose time is a multiple of `time_step_ns`."""
    steps = latest_s * 1_000_000_000 // time_step_ns
    time_ns = start_ns + time_step_ns * draw(st.integers(0, steps))  # type: ignore[operator]  # ints
    extended = bool(draw(st.booleans()))
    can_id = draw(st.integers(0, 0x1FFF_FFFF if extended else 0x7FF))
    kind = draw(st.sampled_from(["classic"] * 3 + ["fd"] * fd + ["remote"] * remote))
    length = draw(st.sampled_from(FD_LENGTHS)) if kind == "fd" else draw(st.integers(0, 8))
    data = b"" if kind == "remote" else draw(st.binary(min_size=length, max_size=length))  # type: ignore[arg-type]  # ints
    is_fd = kind == "fd"
    flags = _flags(
        (
            (extended, FrameFlag.EXTENDED),
            (kind == "remote", FrameFlag.REMOTE),
            (is_fd, FrameFlag.FD),
            (is_fd and bool(draw(st.booleans())), FrameFlag.BIT_RATE_SWITCH),
            (is_fd and bool(draw(st.booleans())), FrameFlag.ERROR_STATE),
            (direction and bool(draw(st.booleans())), FrameFlag.SENT),
        )
    )
    bus = draw(st.sampled_from(buses))
    return Sample(time_ns, bus, can_id, flags, length, data)  # type: ignore[arg-type]  # drawn values are plain


def message(sample: Sample) -> can.Message:
    """Give a frame to python-can."""
    return can.Message(
        timestamp=sample.time_ns / 1_000_000_000,  # the nearest float, by whole numbers
        arbitration_id=sample.can_id,
        is_extended_id=sample.has(FrameFlag.EXTENDED),
        is_remote_frame=sample.has(FrameFlag.REMOTE),
        is_error_frame=sample.has(FrameFlag.ERROR),
        is_fd=sample.has(FrameFlag.FD),
        bitrate_switch=sample.has(FrameFlag.BIT_RATE_SWITCH),
        error_state_indicator=sample.has(FrameFlag.ERROR_STATE),
        is_rx=not sample.has(FrameFlag.SENT),
        channel=sample.bus,
        dlc=sample.length,
        data=sample.data,
        check=True,
    )


def same_but_time(ours: Sample, theirs: can.Message) -> bool:
    """Compare a frame with python-can's reading of it."""
    return (
        ours.can_id == theirs.arbitration_id
        and ours.has(FrameFlag.EXTENDED) == theirs.is_extended_id
        and ours.has(FrameFlag.REMOTE) == theirs.is_remote_frame
        and ours.has(FrameFlag.FD) == theirs.is_fd
        and ours.length == theirs.dlc
        and ours.data == bytes(theirs.data)
    )
