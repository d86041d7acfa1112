"""Traces, terminal listings, tables and captures for the suite that every reader must pass."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.frames.formats.candump.console import ConsoleReader
from canassist.frames.formats.csv.delimited import DelimitedReader
from canassist.frames.formats.pcap.pcap import PcapReader
from canassist.frames.formats.trc.trc import TrcReader
from canassist.model import FrameFlag
from tests.frames.compliance import Format
from tests.frames.test_console import console_line
from tests.frames.test_delimited import HEADER, as_csv_knows_it, base64_line
from tests.frames.test_pcap import pcap_log, pcapng_log
from tests.frames.test_trc import HEADERS, trc_line
from tests.frames.text_writers import text_of, whole_lines

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.frames.frame_samples import Sample

TABLE_HEADER = "time_us,id (hex),ext,bus,dir,len,data\n"


def _table_line(one: Sample) -> str:
    extended = int(one.has(FrameFlag.EXTENDED))
    way = "Tx" if one.has(FrameFlag.SENT) else "Rx"
    cells = (one.time_ns // 1000, f"{one.can_id:x}", extended, one.bus, way, one.length)
    return ",".join(map(str, cells)) + "," + one.data.hex(" ")


def _traced(version: str) -> Callable[[Sample], str]:
    return lambda one: trc_line(version, 7, one)


def _counted(
    write: Callable[[list[Sample]], bytes],
) -> Callable[[list[Sample], int], list[Sample]]:
    """Return a function that gives the frames whose record lies whole before a cut."""

    def whole(many: list[Sample], size: int) -> list[Sample]:
        return [one for n, one in enumerate(many, start=1) if len(write(many[:n])) <= size]

    return whole


def _behind(write: Callable[[list[Sample]], bytes]) -> Callable[[list[Sample]], bytes]:
    return lambda many: write(many)[len(write([])) :]


def _text(
    name: str, reader: object, header: str, line: Callable[[Sample], str], **more: object
) -> Format:
    return Format(
        name,
        reader,  # type: ignore[arg-type]  # each is held to be a reader by a test of its own
        text_of(header, line),
        whole_lines(header, line),
        text_of("", line),
        **more,  # type: ignore[arg-type]  # the rest of a format's fields
    )


_START = {"start_ns": 0, "latest_s": 900}
_NO_BUS = {"buses": ("CAN",), "direction": False}
MORE_FORMATS = [
    _text("trc 1.1", TrcReader(), HEADERS["1.1"], _traced("1.1"),
          offers=_START | {"buses": ("1",), "fd": False, "time_step_ns": 100_000}),
    _text("trc 2.1", TrcReader(), HEADERS["2.1"], _traced("2.1"),
          offers=_START | {"buses": ("1", "2")}),
    _text("console", ConsoleReader(), "", console_line),
    _text("csv base64", DelimitedReader(), HEADER, lambda one: base64_line(one).rstrip("\n"),
          offers=_NO_BUS | {"time_step_ns": 1}, known=as_csv_knows_it),
    _text("csv table", DelimitedReader(), TABLE_HEADER, _table_line,
          offers={"fd": False, "remote": False}),
    Format("pcap", PcapReader(), pcap_log, _counted(pcap_log), _behind(pcap_log), _NO_BUS),
    Format("pcapng", PcapReader(), pcapng_log, _counted(pcapng_log), _behind(pcapng_log)),
]  # fmt: skip
