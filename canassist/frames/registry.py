"""Which reader reads a file: found by its content, then by its ending."""

from __future__ import annotations

import functools
from importlib.metadata import EntryPoint, entry_points
from typing import TYPE_CHECKING, Final

from canassist.frames.base import ENTRY_POINT_GROUP, HEAD_BYTES, LogReader

if TYPE_CHECKING:
    from collections.abc import Iterator

_BUILT_IN: Final = (
    ("candump", "canassist.frames.formats.candump.candump:CandumpReader"),
    ("blf", "canassist.frames.formats.blf.blf:BlfReader"),
    ("asc", "canassist.frames.formats.asc.asc:AscReader"),
    ("pcap", "canassist.frames.formats.pcap.pcap:PcapReader"),
    ("mf4", "canassist.frames.formats.mf4.mf4:Mf4Reader"),
    ("sqlite", "canassist.frames.formats.sqlite:SqliteReader"),
    ("trc", "canassist.frames.formats.trc.trc:TrcReader"),
    ("candump console", "canassist.frames.formats.candump.console:ConsoleReader"),
    ("csv", "canassist.frames.formats.csv.delimited:DelimitedReader"),
)
"""Built-in readers by name, in the order in which they are asked; loaded when needed.

They go through the same door as an outside package's entry points. A reader's module
must not import a heavy library at its top.
"""


def _doors() -> Iterator[EntryPoint]:
    for name, value in _BUILT_IN:
        yield EntryPoint(name=name, value=value, group=ENTRY_POINT_GROUP)
    yield from _outside()  # asked for last: the search for them takes longest


@functools.cache
def _outside() -> tuple[EntryPoint, ...]:
    known = {value for _, value in _BUILT_IN}
    return tuple(door for door in entry_points(group=ENTRY_POINT_GROUP) if door.value not in known)


@functools.cache
def _load(door: EntryPoint) -> LogReader:
    made = door.load()()
    if not isinstance(made, LogReader):
        raise TypeError(f"entry point {door.name} of {ENTRY_POINT_GROUP} is no LogReader")
    return made


def readers() -> Iterator[LogReader]:
    """Give every registered reader, built-in ones first."""
    for door in _doors():
        yield _load(door)


def find_reader(head: bytes, ending: str) -> LogReader | None:
    """Choose the reader of a log.

    Parameters
    ----------
    head : bytes
        The beginning of the log; as much as is at hand, so that a damaged start does
        not hide what follows it.
    ending : str
        File ending with the dot, in small letters; asked only where content says nothing.

    Returns
    -------
    LogReader or None
    """
    for window in _windows(head):
        for reader in readers():
            if reader.matches(window):
                return reader
    return next((reader for reader in readers() if ending in reader.endings), None)


def _windows(head: bytes) -> Iterator[bytes]:
    """Give the head, then what stands behind damage at its start."""
    yield head[:HEAD_BYTES]
    rest = head.lstrip(b"\0")
    if len(rest) < len(head):
        yield rest[:HEAD_BYTES]
    at = head.find(b"\n", HEAD_BYTES // 2)
    while 0 <= at < len(head) - 1:
        yield head[at + 1 : at + 1 + HEAD_BYTES]
        at = head.find(b"\n", at + HEAD_BYTES // 2)
