"""Text logs whose lines have few shapes: many lines of one shape are read at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Generic, NamedTuple, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from canassist.frames.frame_rows import block_of, payload_wanted, rows_to_keep

if TYPE_CHECKING:
    from canassist.frames.base import ReadRequest
    from canassist.frames.text.text_lines import Table
    from canassist.model import (
        BoolArray,
        ByteArray,
        FrameBlock,
        IdArray,
        IntArray,
        ReadReport,
    )

_MOST_LAYOUTS: Final = 48  # of one file
_MOST_TRIES: Final = 16  # lines of a block from which no shape could be learned

T = TypeVar("T", bound=np.generic)
L = TypeVar("L")


class LineBatch(NamedTuple):
    """Lines that are still to be read: number in the block, begin and end in the text."""

    row: IntArray
    start: IntArray
    end: IntArray

    def take(self, rows: IntArray | BoolArray | slice) -> LineBatch:
        """Return some of the lines."""
        return LineBatch(self.row[rows], self.start[rows], self.end[rows])


class Heads(NamedTuple):
    """What the identifier columns of some lines say; arrays of shape (n,).

    `hit` tells which lines have an identifier there; `data_at` is the place behind it.
    """

    can_id: IdArray
    flags: ByteArray
    data_at: IntArray
    hit: BoolArray


class Bodies(NamedTuple):
    """The rest of some lines; arrays of shape (n,).

    `fine` tells which lines have this layout, `shapely` which of them are whole frames.
    """

    time_ns: IntArray
    flags: ByteArray
    length: ByteArray
    data_at: IntArray
    fine: BoolArray
    shapely: BoolArray


class Found(NamedTuple):
    """Frames by line, payload not yet read; arrays of shape (n,).

    `data_at` is where the data digits begin in the text.
    """

    line: IntArray
    time_ns: IntArray
    bus: ByteArray
    can_id: IdArray
    flags: ByteArray
    length: ByteArray
    data_at: IntArray

    def take(self, rows: IntArray | BoolArray) -> Found:
        """Return some of the frames."""
        return Found(
            self.line[rows],
            self.time_ns[rows],
            self.bus[rows],
            self.can_id[rows],
            self.flags[rows],
            self.length[rows],
            self.data_at[rows],
        )


class BatchDone(NamedTuple):
    """A block, the line of each of its frames, and the lines that need a closer look."""

    block: FrameBlock
    line: IntArray
    left: IntArray


class Grammar(Protocol[L]):
    """What the lines of one format look like."""

    def learn(self, line: bytes) -> L | None:
        """Take a line as the layout of others; None where it has none."""

    def bus_name(self, layout: L) -> str:
        """Return the bus that lines of this layout come from."""

    def heads(self, buffer: ByteArray, lines: LineBatch, layout: L) -> Heads:
        """Read the identifiers."""

    def bodies(
        self, buffer: ByteArray, lines: LineBatch, layout: L, data_at: IntArray, flags: ByteArray
    ) -> Bodies:
        """Read times and lengths, and check all that the layout fixes."""

    def payloads(self, buffer: ByteArray, found: Found) -> tuple[ByteArray, BoolArray]:
        """Read the data bytes, shape (n, 8) or (n, 64), and tell whether each row is fine."""


class FastLines(Generic[L]):
    """Reads those lines of one file that have a usual shape.

    Parameters
    ----------
    grammar : Grammar
    request : ReadRequest
    report : ReadReport
    """

    def __init__(self, grammar: Grammar[L], request: ReadRequest, report: ReadReport) -> None:
        self._grammar = grammar
        self._request = request
        self._report = report
        self._layouts: list[L] = []

    def read(self, table: Table, rows: IntArray | None = None) -> BatchDone:
        """Read a run of lines, or some of them."""
        todo = LineBatch(np.arange(len(table.line_start)), table.line_start, table.line_end)
        todo = todo if rows is None else todo.take(rows)
        found: list[Found] = []
        left: list[IntArray] = []

        hit_by: list[tuple[int, L]] = []

        def use(layout: L, todo: LineBatch) -> LineBatch:
            hits, rest, odd = self._read_layout(table.buffer, todo, layout)
            hit_by.append((len(todo.row) - len(rest.row), layout))
            found.append(hits)
            left.append(odd)
            return rest

        for layout in self._layouts:
            if len(todo.row):
                todo = use(layout, todo)
        spare = _MOST_TRIES
        while len(todo.row) and spare and len(self._layouts) < _MOST_LAYOUTS:
            first = todo.row[0]
            new = self._grammar.learn(table.buffer[todo.start[0] : todo.end[0]].tobytes())
            if new is not None:
                self._layouts.append(new)
                todo = use(new, todo)
            if len(todo.row) and todo.row[0] == first:
                left.append(todo.row[:1])
                todo = todo.take(slice(1, None))
                spare -= 1
        left.append(todo.row)
        self._sort_layouts(hit_by)
        return self._assemble(table.buffer, _joined(found), np.concatenate(left))

    def _sort_layouts(self, hit_by: list[tuple[int, L]]) -> None:
        """Ask next for what was found most; times grow longer, so early layouts die out."""
        if len(hit_by) > 1:
            tried = [layout for _, layout in sorted(hit_by, key=lambda one: -one[0])]
            self._layouts = tried + self._layouts[len(tried) :]

    def _read_layout(
        self, buffer: ByteArray, lines: LineBatch, layout: L
    ) -> tuple[Found, LineBatch, IntArray]:
        """Read the lines of one layout.

        Returns
        -------
        hits : Found
        rest : LineBatch
            LineBatch of another layout.
        odd : array of int64
            LineBatch of this layout that are no whole frame.
        """
        can_id, flags, data_at, hit = self._grammar.heads(buffer, lines, layout)
        chosen = hit
        if not self._request.headers:
            chosen = hit & payload_wanted(can_id, flags, self._request)
        row = None if chosen.all() else np.flatnonzero(chosen)
        some = lines if row is None else lines.take(row)
        body = self._grammar.bodies(buffer, some, layout, pick(data_at, row), pick(flags, row))
        good = body.fine & body.shapely
        hits = Found(
            line=some.row,
            time_ns=body.time_ns,
            bus=self._bus(layout, good),
            can_id=pick(can_id, row),
            flags=body.flags,
            length=body.length,
            data_at=body.data_at,
        )
        other = ~hit
        odd = some.row[:0]
        if not good.all():
            odd = some.row[body.fine & ~body.shapely]
            other[np.arange(len(hit)) if row is None else row] |= ~body.fine
            hits = hits.take(good)
        rest = lines.take(other) if other.any() else lines.take(slice(0, 0))
        return hits, rest, odd

    def _bus(self, layout: L, good: BoolArray) -> ByteArray:
        """Return the bus column; a bus is named in the report only once a frame is sure."""
        name = self._grammar.bus_name(layout)
        index = self._report.bus_index(name) if good.any() else 0
        return np.full(len(good), index, dtype=np.uint8)

    def _assemble(self, buffer: ByteArray, found: Found, left: IntArray) -> BatchDone:
        kept, payload_row = rows_to_keep(found.can_id, found.flags, self._request)
        if len(kept) < len(found.line):
            found = found.take(kept)
        payload, fine = self._grammar.payloads(buffer, found)
        if not fine.all():
            left = np.concatenate((left, found.line[~fine]))
            place = np.cumsum(fine) - 1
            payload_row = place[payload_row[fine[payload_row]]]
            payload, found = payload[fine], found.take(fine)
        if len(payload_row) < len(payload):
            payload = payload[payload_row]
        block = block_of(
            time_ns=found.time_ns,
            bus=found.bus,
            can_id=found.can_id,
            flags=found.flags,
            length=found.length,
            payload=payload,
            payload_row=payload_row,
        )
        return BatchDone(block, found.line, np.sort(left))


def pick(column: NDArray[T], rows: IntArray | None) -> NDArray[T]:
    """Return some rows of a column, or the column itself where all are meant."""
    return column if rows is None else column[rows]


def _joined(found: list[Found]) -> Found:
    if len(found) == 1:
        return found[0]
    if not found:
        return _NOTHING
    whole = Found(
        np.concatenate([one.line for one in found]),
        np.concatenate([one.time_ns for one in found]),
        np.concatenate([one.bus for one in found]),
        np.concatenate([one.can_id for one in found]),
        np.concatenate([one.flags for one in found]),
        np.concatenate([one.length for one in found]),
        np.concatenate([one.data_at for one in found]),
    )
    return whole.take(np.argsort(whole.line, kind="stable"))


_NO_INTS: Final[NDArray[np.int64]] = np.empty(0, dtype=np.int64)
_NO_BYTES: Final[NDArray[np.uint8]] = np.empty(0, dtype=np.uint8)
_NOTHING: Final = Found(
    _NO_INTS, _NO_INTS, _NO_BYTES, np.empty(0, dtype=np.uint32), _NO_BYTES, _NO_BYTES, _NO_INTS
)
