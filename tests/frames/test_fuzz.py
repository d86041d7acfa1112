"""Damaged logs of every kind, for a bounded time: no crash, no hang, errors only in words."""

from __future__ import annotations

import gzip
import sqlite3
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canassist.errors import InputError, MissingExtraError
from canassist.frames import ReadRequest, open_log
from canassist.model import FrameFlag, IdSet
from tests.frames.blf_writer import Packing, object_of
from tests.frames.frame_samples import Sample
from tests.frames.text_writers import ASC_HEADER, asc_line, candump_line

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

S = 1_000_000_000
FD = int(FrameFlag.FD)
RIDE = [
    Sample(
        S * number // 100,
        "1",
        0x100 + number % 9,
        FD if number % 13 == 0 else 0,
        8,
        bytes(range(8)),
    )
    for number in range(120)
]


def _text(header: str, line: Callable[[Sample], str]) -> bytes:
    return (header + "".join(f"{line(one)}\n" for one in RIDE)).encode()


TRC = ";$FILEVERSION=1.1\n;$STARTTIME=44548.6028595139\n;\n"
LOGS = {
    "ride.log": _text("", candump_line),
    "ride.asc": _text(ASC_HEADER, asc_line),
    "dec.asc": _text(
        ASC_HEADER.replace("base hex", "base dec").replace("absolute", "relative"),
        lambda one: asc_line(one, "dec"),
    ),
    "ride.blf": Packing(size=2000).file([object_of(one) for one in RIDE]),
    "flat.blf": Packing(size=0).file([object_of(one, kind=101) for one in RIDE]),
    "ride.log.gz": gzip.compress(_text("", candump_line), mtime=0),
    "ride.trc": _text(
        TRC,
        lambda one: (
            f"{1:>6}) {one.time_ns / 1e6:>11.1f}  Rx     {one.can_id:04X}  8  " + one.data.hex(" ")
        ),
    ),
    "ride.csv": _text(
        "time,id,dlc,data\n",
        lambda one: f"{one.time_ns / 1e9:.6f},{one.can_id:X},8,{one.data.hex(' ')}",
    ),
    "console.log": _text(
        "",
        lambda one: f" ({one.time_ns / 1e9:.6f})  can0  {one.can_id:X}   [8]  {one.data.hex(' ')}",
    ),
}

DAMAGE = st.lists(
    st.tuples(
        st.sampled_from(["over", "in", "out", "twice"]),
        st.floats(0, 1),
        st.one_of(
            st.binary(min_size=1, max_size=12),
            st.sampled_from(
                [b"\0" * 300, b"\n", b"\r\n", b"(", b"#", b"LOBJ", b"\xff" * 8, b"9" * 30]
            ),
        ),
    ),
    min_size=1,
    max_size=6,
)


def _damaged(data: bytes, damage: list[tuple[str, float, bytes]]) -> bytes:
    for how, share, there in damage:
        at = int(share * len(data))
        if how == "over":
            data = data[:at] + there + data[at + len(there) :]
        elif how == "in":
            data = data[:at] + there + data[at:]
        elif how == "out":
            data = data[:at] + data[at + 50 * len(there) :]
        else:
            data = data[: at + 500] + data[at:]
    return data


@pytest.mark.slow
@pytest.mark.parametrize("name", LOGS)
@settings(
    max_examples=400,
    deadline=timedelta(seconds=3),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(damage=DAMAGE, cut=st.floats(0.05, 1), headers=st.booleans())
def test_damage_never_ends_but_in_words(
    tmp_path: Path, name: str, damage: list[tuple[str, float, bytes]], cut: float, *, headers: bool
) -> None:
    data = _damaged(LOGS[name], damage)
    path = tmp_path / name
    path.write_bytes(data[: max(int(cut * len(data)), 1)])
    request = ReadRequest(wanted=IdSet([0x101, 0x105]), headers=headers)
    try:
        recording = open_log([path])
        frames = sum(len(block) for block in recording.blocks(request=request))
    except (InputError, MissingExtraError) as error:
        assert error.fix  # noqa: PT017 - only errors in words may come
        return
    if frames > 2 * len(RIDE) + 60:
        # Broken compressed data may inflate to lines that were never written; then the
        # checksum at its end, or the lack of one, has to be told.
        assert name.endswith(".gz")
        assert any("the gzip data" in problem.what for problem in recording.problems)
    if headers:
        assert recording.stats().frames == frames


@pytest.mark.slow
@settings(max_examples=600, deadline=timedelta(seconds=3))
@given(
    head=st.binary(max_size=600), ending=st.sampled_from([*LOGS, "x.mf4", "x.pcap", "x.db", "x"])
)
def test_any_bytes_under_any_name(
    tmp_path_factory: pytest.TempPathFactory, head: bytes, ending: str
) -> None:
    path = tmp_path_factory.mktemp("any") / ending
    path.write_bytes(head)
    try:
        for _ in open_log([path]).blocks():
            pass
    except (InputError, MissingExtraError) as error:
        assert error.fix  # noqa: PT017 - only errors in words may come
    except sqlite3.Error as error:
        pytest.fail(f"a library's own error came through: {error}")
