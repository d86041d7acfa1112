"""The suite that every reader must pass, run on the text and binary logs of this project."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canassist.frames.formats.asc.asc import AscReader
from canassist.frames.formats.blf.blf import BlfReader
from canassist.frames.formats.candump.candump import CandumpReader
from canassist.model import FrameFlag
from tests.frames import compliance
from tests.frames.blf_writer import HEADER_BYTES, Packing, object_of
from tests.frames.compliance import Format
from tests.frames.frame_samples import Sample, frames
from tests.frames.more_formats import MORE_FORMATS
from tests.frames.text_writers import ASC_HEADER, asc_line, candump_line, text_of, whole_lines

if TYPE_CHECKING:
    from collections.abc import Callable

ASC_DECIMAL_HEADER = ASC_HEADER.replace("base hex", "base dec")
CHANNELS = {"buses": ("1", "2"), "start_ns": 0, "latest_s": 900}


def _asc_needed(base: str) -> Callable[[Sample], str]:
    """Give the part of a line that holds the frame: an FD line has more behind its data."""

    def needed(one: Sample) -> str:
        line = asc_line(one, base)
        if not one.has(FrameFlag.FD):
            return line
        return line[: line.index(f"{130000:>8}") + 8 + 1 + 4 + 1 + 8]  # up to its flags

    return needed


def _blf(kind: dict[bool, int], packing: Packing, **how: int) -> Format:
    def objects(many: list[Sample]) -> list[bytes]:
        return [object_of(one, kind=kind[one.has(FrameFlag.FD)], **how) for one in many]

    def known(one: Sample) -> Sample:
        return one._replace(time_ns=one.time_ns // 10_000 * 10_000) if how.get("unit") == 1 else one

    return Format(
        name=f"blf {kind[False]}/{kind[True]} {packing.size} {packing.compress} {how}",
        reader=BlfReader(),
        write=lambda many: packing.file(objects(many)),
        whole=lambda many, size: many[: packing.whole(objects(many), size)],
        tail=lambda many: packing.file(objects(many))[HEADER_BYTES:],
        offers=CHANNELS | {"time_step_ns": 1},
        known=known,
    )


FORMATS = [
    Format(
        "candump",
        CandumpReader(),
        text_of("", candump_line),
        whole_lines("", candump_line),
        text_of("", candump_line),
    ),
    Format(
        "asc",
        AscReader(),
        text_of(ASC_HEADER, asc_line),
        whole_lines(ASC_HEADER, asc_line, _asc_needed("hex")),
        text_of("", asc_line),
        CHANNELS,
    ),
    Format(
        "asc decimal",
        AscReader(),
        text_of(ASC_DECIMAL_HEADER, lambda one: asc_line(one, "dec")),
        whole_lines(
            ASC_DECIMAL_HEADER,
            lambda one: asc_line(one, "dec"),
            lambda one: asc_line(one, "dec") + "\n",  # without it, a last number may be cut
        ),
        text_of("", lambda one: asc_line(one, "dec")),
        CHANNELS | {"fd": False},
    ),
    _blf({False: 1, True: 100}, Packing()),
    _blf({False: 86, True: 101}, Packing(size=100), version=2),
    _blf({False: 100, True: 100}, Packing(size=0), unit=1),
    _blf({False: 101, True: 101}, Packing(size=333, compress=False)),
    *MORE_FORMATS,
]
each_format = pytest.mark.parametrize("log", FORMATS, ids=str)


def _drawn(data: st.DataObject, log: Format, **size: int) -> list[Sample]:
    many: list[Sample] = data.draw(st.lists(frames(**log.offers), min_size=1, **size))  # type: ignore[arg-type]  # offers are its arguments
    return sorted(many)


def _steady(log: Format, count: int) -> list[Sample]:
    """Frames of seven identifiers, each always of one length, so that a cut can be told."""
    bus = str(log.offers.get("buses", ("can0",))[0])  # type: ignore[index]  # a tuple of names
    start = int(log.offers.get("start_ns", 1_700_000_000_000_000_000))  # type: ignore[call-overload]  # an int
    return [
        Sample(
            start + 1_000_000 * number,
            bus,
            0x100 + number % 7 + (0x10000 if number % 7 == 3 else 0),
            int(FrameFlag.EXTENDED) if number % 7 == 3 else 0,
            number % 7 + 2,
            bytes((number * 37 + place) & 0xFF for place in range(number % 7 + 2)),
        )
        for number in range(count)
    ]


@each_format
@settings(max_examples=40)
@given(data=st.data())
def test_frames_come_back(log: Format, data: st.DataObject) -> None:
    compliance.check_reads_back(log, _drawn(data, log, max_size=12))


@each_format
@settings(max_examples=25)
@given(data=st.data())
def test_only_wanted_frames_carry_their_payload(log: Format, data: st.DataObject) -> None:
    compliance.check_wish(log, _drawn(data, log, max_size=8))


@each_format
def test_fifty_cuts_lose_only_what_they_cut(log: Format) -> None:
    surely = 7 if log.name == "candump" else 0  # its lines do not tell their length
    compliance.check_cuts(log, _steady(log, 40), seed=1, surely=surely)


@each_format
@settings(max_examples=10)
@given(data=st.data())
def test_garbage_in_between_costs_nothing_else(log: Format, data: st.DataObject) -> None:
    many = _drawn(data, log, max_size=8)
    half = len(many) // 2
    compliance.check_garbage(log, many[:half], many[half:])


TEXT_FORMATS = [
    log for log in FORMATS if log.name.partition(" ")[0] not in {"blf", "pcap", "pcapng"}
]
ONE_AT_A_TIME = {"asc decimal"}
"""Rare enough that no fast way is worth its lines."""


@pytest.mark.parametrize("log", TEXT_FORMATS, ids=str)
def test_ordinary_lines_are_read_many_at_a_time(log: Format) -> None:
    least = 0.0 if log.name in ONE_AT_A_TIME else 0.99
    compliance.check_at_once(log, _steady(log, 3000), least=least)


@each_format
def test_a_long_log_comes_in_pieces(log: Format) -> None:
    compliance.check_flat_blocks(log, _steady(log, 60_000), most=50_000)
