"""The outer layer of a BLF file: its header, and the containers that hold the objects."""

from __future__ import annotations

import struct
import zlib
from datetime import datetime
from typing import TYPE_CHECKING, BinaryIO, Final

from canassist.errors import InflationError
from canassist.frames.base import BLOCK_BYTES
from canassist.frames.frame_rows import EARLIEST_YEAR
from canassist.frames.unpack.inflate import InflationLimits
from canassist.frames.unpack.inflate_engines import Engine, ZlibEngine, broken_errors
from canassist.model import ReadReport

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

FILE_MARK: Final = b"LOGG"
OBJECT_MARK: Final = b"LOBJ"
OBJECT_BASE: Final = struct.Struct("<4sHHII")  # mark, header size, header version, size, type
CONTAINER_TYPE: Final = 10
LARGEST_OBJECT: Final = 1 << 20
"""A size beyond this is damage: frames have a few hundred bytes, comments some thousand."""

_FILE_HEADER: Final = struct.Struct("<4sI")
_START_AT: Final = 40  # of the start date in the file header
_DATE: Final = struct.Struct("<8H")  # year, month, weekday, day, hour, minute, second, ms
_CONTAINER: Final = struct.Struct("<H6xI4x")  # method, size when inflated
_PLAIN: Final = 0
_DEFLATED: Final = 2
_LARGEST_CONTAINER: Final = 1 << 30
_LARGEST_HEADER: Final = 1 << 16
_PADDING: Final = 8  # the next object begins within so many bytes
_PIECE: Final = 1 << 16
_CRUMB: Final = 64
_MIB: Final = 1 << 20


class Containers:
    """The stream of objects in a BLF file, containers undone.

    Parameters
    ----------
    source : BinaryIO
    report : ReadReport
    """

    def __init__(self, source: BinaryIO, report: ReadReport) -> None:
        self._source = source
        self._report = report
        self._buffer = b""
        self._at = 0  # place in the buffer
        self._passed = 0  # bytes of the file before the buffer
        self._inflated = 0
        self._new_engine = _engine_maker()
        self._limits = InflationLimits()

    def __iter__(self) -> Iterator[bytes | None]:
        """Yield pieces of the object stream; None where bytes between two pieces are lost."""
        self._read_file_header()
        while True:
            skipped = self._skip_to_object()
            if skipped is None:
                return
            if skipped > _PADDING:
                self._report.add_problem(
                    f"byte {self.place - skipped}", f"skipped {skipped} damaged bytes", skipped=1
                )
                yield None
            yield from self._object()

    def new_report(self) -> ReadReport:
        """Begin a new report; return the old one, which nobody writes to any more."""
        old, self._report = self._report, ReadReport(name=self._report.name)
        return old

    @property
    def place(self) -> int:
        """Where in the file the next byte stands."""
        return self._passed + self._at

    def _have(self, count: int) -> int:
        """Have that many bytes in the buffer, if the file has them; return how many there are."""
        left = len(self._buffer) - self._at
        while left < count:
            more = self._source.read(max(count - left, BLOCK_BYTES))
            if not more:
                break
            self._passed += self._at
            self._buffer = self._buffer[self._at :] + more
            self._at = 0
            left = len(self._buffer)
        return left

    def _take(self, count: int) -> bytes:
        self._have(count)
        data = self._buffer[self._at : self._at + count]
        self._at += len(data)
        return data

    def _read_file_header(self) -> None:
        if self._have(_START_AT + _DATE.size) < _START_AT + _DATE.size:
            return
        mark, size = _FILE_HEADER.unpack_from(self._buffer)
        if mark != FILE_MARK:
            return
        self._report.start_local = _date(_DATE.unpack_from(self._buffer, _START_AT))
        if _START_AT + _DATE.size <= size <= _LARGEST_HEADER:
            self._take(size)
        else:
            self._take(_START_AT + _DATE.size)

    def _skip_to_object(self) -> int | None:
        """Stand at the next object; return how many bytes were passed over, None at the end."""
        begin = self.place
        while self._have(OBJECT_BASE.size) >= len(OBJECT_MARK):
            found = self._buffer.find(OBJECT_MARK, self._at)
            if found >= 0:
                self._at = found
                return self.place - begin
            self._at = len(self._buffer) - len(OBJECT_MARK) + 1
            if not self._have(len(self._buffer) - self._at + 1) >= len(OBJECT_MARK):
                break
        lost = self._passed + len(self._buffer) - begin
        if lost >= _PADDING:
            self._report.add_problem(f"byte {begin}", f"skipped {lost} damaged bytes", skipped=1)
        return None

    def _object(self) -> Iterator[bytes | None]:
        """Yield one object, or what is in it where it is a container."""
        have = self._have(OBJECT_BASE.size)
        if have < OBJECT_BASE.size:
            self._cut(OBJECT_BASE.size - have)
            self._at = len(self._buffer)
            return
        _, header_size, _, size, kind = OBJECT_BASE.unpack_from(self._buffer, self._at)
        most = _LARGEST_CONTAINER if kind == CONTAINER_TYPE else LARGEST_OBJECT
        if not OBJECT_BASE.size <= header_size <= size <= most:
            self._at += len(OBJECT_MARK)  # not an object; look on from here
            return
        if kind != CONTAINER_TYPE:
            data = self._take(size)
            if len(data) < size:
                self._cut(size - len(data))
            else:
                yield data + b"\0" * (-size % 4)
            return
        self._take(header_size)
        yield from self._container(size - header_size)

    def _cut(self, missing: int) -> None:
        self._report.add_problem(
            f"byte {self._passed + len(self._buffer)}",
            f"the file ends inside an object or container, {missing} bytes before its end",
            grave=True,
            cut=True,
        )

    def _container(self, size: int) -> Iterator[bytes | None]:
        head = self._take(_CONTAINER.size)
        if len(head) < _CONTAINER.size:
            self._cut(size - len(head))
            return
        method, _ = _CONTAINER.unpack(head)
        left = size - _CONTAINER.size
        if method == _PLAIN:
            yield from self._pieces(left)
        elif method == _DEFLATED:
            yield from self._deflated(left)
        else:
            self._report.add_problem(
                f"byte {self.place}",
                f"a container is packed by unknown method {method}; skipped",
                skipped=1,
            )
            for _ in self._pieces(left):
                pass
            yield None

    def _pieces(self, size: int) -> Iterator[bytes]:
        while size > 0:
            piece = self._take(min(size, BLOCK_BYTES))
            if not piece:
                self._cut(size)
                return
            size -= len(piece)
            yield piece

    def _deflated(self, size: int) -> Iterator[bytes | None]:
        begin, eaten = self.place, 0
        engine = self._new_engine()
        known = 0
        for piece in self._pieces(size):
            eaten += len(piece)
            data = piece
            while data or not (engine.needs_input or engine.eof):
                try:
                    out = engine.decompress(data, _MIB)
                except broken_errors() as error:
                    yield from self._broken(begin, size, known, error)
                    return
                data = b""
                known += len(out)
                self._count(len(out))
                if out:
                    yield out
        if not engine.eof and eaten == size:
            self._report.add_problem(
                f"byte {begin}", "a container's data ends before its end", grave=True
            )
            yield None

    def _count(self, size: int) -> None:
        self._inflated += size
        limit = min(self._limits.max_bytes, self._limits.max_ratio * max(self.place, 1))
        if self._inflated > max(limit, self._limits.free_bytes):
            raise InflationError(
                f"{self._report.name}: its containers inflate to more than"
                f" {self._inflated // _MIB} MiB, which no log does.",
                "Check where the file comes from.",
            )

    def _broken(
        self, begin: int, size: int, known: int, error: Exception
    ) -> Iterator[bytes | None]:
        """Give what inflates of a damaged container, then go on behind it."""
        self._report.add_problem(
            f"byte {begin}",
            f"a container is damaged ({error}); kept what inflates",
            skipped=1,
            doubtful="check" in str(error).lower(),
        )
        data = self._again(begin, size)
        for out in _careful(data):
            if len(out) > known:
                yield out[known:]
            known = max(known - len(out), 0)
        yield None

    def _again(self, begin: int, size: int) -> bytes:
        """Return a container's bytes from its beginning, as far as they are still at hand.

        The containers of recorders have some hundred thousand bytes and are in the buffer;
        of a larger one the part that was already given stays given.
        """
        if begin < self._passed:
            self._at = min(len(self._buffer), begin + size - self._passed)
            return b""
        start = begin - self._passed
        self._at = start
        return self._take(size)


def _engine_maker() -> Callable[[], Engine]:
    try:
        from isal import igzip_lib  # noqa: PLC0415 - optional
    except ImportError:
        return lambda: ZlibEngine(zlib.MAX_WBITS)

    def make() -> Engine:
        engine: Engine = igzip_lib.IgzipDecompressor(flag=igzip_lib.DECOMP_ZLIB)
        return engine

    return make


def _careful(data: bytes) -> Iterator[bytes]:
    """Inflate crumb by crumb until it breaks, the last crumb byte by byte."""
    engine = zlib.decompressobj()
    for at in range(0, len(data), _CRUMB):
        before = engine.copy()
        try:
            yield engine.decompress(data[at : at + _CRUMB])
        except zlib.error:
            for one in range(at, min(at + _CRUMB, len(data))):
                try:
                    yield before.decompress(data[one : one + 1])
                except zlib.error:
                    return
            return


def _date(parts: tuple[int, ...]) -> datetime | None:
    """Turn the header's date into a moment on the recorder's wall clock."""
    year, month, _, day, hour, minute, second, ms = parts
    if year < EARLIEST_YEAR:
        return None
    try:
        return datetime(year, month, day, hour, minute, second, ms * 1000)
    except ValueError:
        return None
