"""ASAM MDF 4 files with bus logging: classic CAN and CAN FD, several buses, unfinished ones."""

from __future__ import annotations

from typing import TYPE_CHECKING, BinaryIO, Final

from canassist.errors import InputError, NoFramesError
from canassist.frames.formats.mf4.mf4_blocks import (
    HEADER_AT,
    Blocks,
    DamageError,
    UnknownLayoutError,
)
from canassist.frames.formats.mf4.mf4_layout import read_layout
from canassist.frames.formats.mf4.mf4_library import frames_by_library
from canassist.frames.formats.mf4.mf4_records import ImplausibleError
from canassist.frames.formats.mf4.mf4_streams import MixedRecords, OneKind, woven

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.frames.base import ReadRequest
    from canassist.frames.formats.mf4.mf4_layout import RecordLayout
    from canassist.model import FrameBlock, ReadReport

_MARKS: Final = (b"MDF     4.", b"UnFinMF 4.")


class Mf4Reader:
    """Reads bus events from ASAM MDF 4 files.

    Times are relative to the start of the measurement, which is absolute only where the file
    gives it in UTC. Layouts that are rarely used for bus logging (stored column by column, or
    packed otherwise than by deflate) are read through asammdf, an optional library.
    """

    name = "mf4"
    endings = (".mf4", ".mdf")
    needs_seek = True

    def matches(self, head: bytes) -> bool:
        """Tell by the file's mark and version."""
        return head.startswith(_MARKS)

    def read(
        self, source: BinaryIO, *, request: ReadRequest, report: ReadReport
    ) -> Iterator[FrameBlock]:
        """Yield the frames in time order, in blocks.

        Raises
        ------
        InputError
            If the file's description of itself is damaged or cut off, or what it gives
            cannot be.
        NoFramesError
            If it holds measured signals only.
        MissingExtraError
            If it needs asammdf and that is not installed.
        """
        try:
            yield from _frames(source, request, report)
        except ImplausibleError as error:
            raise InputError(
                f"{report.name or 'the file'}: its records were misunderstood ({error}).",
                "Save it in another format (BLF, ASC, candump), and send us the file.",
            ) from error


def _frames(source: BinaryIO, request: ReadRequest, report: ReadReport) -> Iterator[FrameBlock]:
    blocks = Blocks(source, report)
    layout = _layout(source, blocks, report)
    try:
        streams = _streams(blocks, layout, request, report)
    except UnknownLayoutError:
        yield from frames_by_library(source, request, report)
        return
    for block in woven(streams):
        if len(block):
            yield block


def _layout(source: BinaryIO, blocks: Blocks, report: ReadReport) -> RecordLayout:
    source.seek(0)
    head = source.read(HEADER_AT)
    name = report.name or "the file"
    try:
        layout = read_layout(blocks, head, report)
    except DamageError as error:
        raise InputError(
            f"{name}: its description of itself is damaged or cut off ({error}).",
            "Copy the file from the recorder again; let the recorder finish it first.",
        ) from error
    if layout.data_groups:
        return layout
    if report.problems:
        raise InputError(
            f"{name}: its description of itself is damaged or cut off; no bus event can be found.",
            "Copy the file from the recorder again; let the recorder finish it first.",
        )
    raise NoFramesError(
        f"{name}: holds no CAN frames (an MDF 4 file of measured signals, perhaps).",
        "Choose a file with bus logging, or record the bus itself.",
    )


def _streams(
    blocks: Blocks, layout: RecordLayout, request: ReadRequest, report: ReadReport
) -> list[Iterator[FrameBlock]]:
    streams: list[Iterator[FrameBlock]] = []
    for group in layout.data_groups:
        blocks.check_stream(group.data)
        if group.id_size:
            mixed = MixedRecords(group, request, report)
            streams.append(mixed.frames(blocks.stream(group.data, open_end=layout.open_end)))
        else:
            only = OneKind(blocks, group, request, report, open_end=layout.open_end)
            streams.append(only.frames())
    return streams
