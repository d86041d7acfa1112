"""The libraries that inflate, in one shape; the fast ones where they are installed."""

from __future__ import annotations

import bz2
import functools
import lzma
import zlib
from collections.abc import Callable
from typing import Final, Protocol, cast

from canassist.errors import MissingExtraError

GZIP: Final = "gzip"
XZ: Final = "xz"
BZIP2: Final = "bzip2"
ZSTD: Final = "zstd"
DEFLATE: Final = "deflate"

MAGIC: Final = {
    GZIP: b"\x1f\x8b\x08",
    XZ: b"\xfd7zXZ\x00",
    BZIP2: b"BZh",
    ZSTD: b"\x28\xb5\x2f\xfd",
}
"""First bytes of each kind of compressed data (RFC 1952, RFC 8878, and the tools' own pages)."""


_BZIP2_BLOCKS: Final = (b"1AY&SY", b"\x17rE8P\x90")  # of data, and of the end


def is_bzip2(head: bytes) -> bool:
    """Tell bzip2 data by more than its three-letter mark, which is also plain text."""
    return head.startswith(MAGIC[BZIP2]) and head[4:10] in _BZIP2_BLOCKS


class Engine(Protocol):
    """What inflates; shaped like the standard library's `bz2.BZ2Decompressor`."""

    @property
    def eof(self) -> bool:
        """Whether the end of the compressed member has come."""

    @property
    def needs_input(self) -> bool:
        """Whether more output needs more input."""

    @property
    def unused_data(self) -> bytes:
        """Bytes found after the end."""

    def decompress(self, data: bytes, max_length: int) -> bytes:
        """Inflate at most `max_length` bytes."""


class ZlibEngine:
    """The standard library's deflate in the shape of an `Engine`."""

    def __init__(self, window_bits: int) -> None:
        self._inner = zlib.decompressobj(window_bits)
        self._limited = False

    @property
    def eof(self) -> bool:
        """Whether the end has come."""
        return self._inner.eof

    @property
    def needs_input(self) -> bool:
        """Whether more output needs more input."""
        return not (self._limited or self._inner.eof)

    @property
    def unused_data(self) -> bytes:
        """Bytes found after the end."""
        return self._inner.unused_data

    def decompress(self, data: bytes, max_length: int) -> bytes:
        """Inflate at most `max_length` bytes."""
        tail = self._inner.unconsumed_tail
        out = self._inner.decompress(tail + data if tail else data, max_length)
        # a full answer may leave output inside the engine though no input is left over
        self._limited = len(out) >= max_length
        return out


class _Zstd:
    """Zstandard in the shape of an `Engine`; fed in crumbs, for it cannot be told to stop."""

    _CRUMB = 512  # 512 bytes of run-length blocks inflate to 16 MiB at most

    def __init__(self) -> None:
        self._inner = _zstd_object()
        self._todo = b""

    @property
    def eof(self) -> bool:
        return bool(self._inner.eof)

    @property
    def needs_input(self) -> bool:
        return not self._todo and not self.eof

    @property
    def unused_data(self) -> bytes:
        return bytes(self._inner.unused_data) + self._todo

    def decompress(self, data: bytes, max_length: int) -> bytes:
        self._todo += data
        parts: list[bytes] = []
        size = 0
        while self._todo and size < max_length and not self.eof:
            crumb, self._todo = self._todo[: self._CRUMB], self._todo[self._CRUMB :]
            parts.append(self._inner.decompress(crumb))
            size += len(parts[-1])
        return b"".join(parts)


class _ZstdObject(Protocol):
    @property
    def eof(self) -> bool: ...
    @property
    def unused_data(self) -> bytes: ...
    def decompress(self, data: bytes, /) -> bytes: ...


def _zstd_object() -> _ZstdObject:
    try:
        import zstandard  # noqa: PLC0415 - few logs need it
    except ImportError:
        return _zstd_of_python()
    return zstandard.ZstdDecompressor(max_window_size=1 << 27).decompressobj()


def _zstd_of_python() -> _ZstdObject:
    try:
        from importlib import import_module  # noqa: PLC0415 - only where it is needed

        module = import_module("compression.zstd")  # Python 3.14 and newer
    except ImportError as error:
        raise MissingExtraError(
            "This log is compressed with Zstandard, and no library for it is installed.",
            "Install the package 'zstandard', or unpack the log first.",
        ) from error
    found: _ZstdObject = module.ZstdDecompressor()
    return found


def _gzip_engine() -> Engine:
    try:
        from isal import igzip_lib  # noqa: PLC0415 - optional
    except ImportError:
        return ZlibEngine(16 + zlib.MAX_WBITS)
    fast: Engine = igzip_lib.IgzipDecompressor(flag=igzip_lib.DECOMP_GZIP)
    return fast


def _deflate_engine() -> Engine:
    try:
        from isal import igzip_lib  # noqa: PLC0415 - optional
    except ImportError:
        return ZlibEngine(-zlib.MAX_WBITS)
    fast: Engine = igzip_lib.IgzipDecompressor(flag=igzip_lib.DECOMP_DEFLATE)
    return fast


FAST: Final[dict[str, Callable[[], Engine]]] = {
    GZIP: _gzip_engine,
    DEFLATE: _deflate_engine,
    XZ: lambda: lzma.LZMADecompressor(memlimit=1 << 30),
    BZIP2: bz2.BZ2Decompressor,
    ZSTD: _Zstd,
}
"""Engines by kind of compressed data."""

CAREFUL: Final[dict[str, Callable[[], Engine]]] = {
    **FAST,
    GZIP: lambda: ZlibEngine(16 + zlib.MAX_WBITS),
    DEFLATE: lambda: ZlibEngine(-zlib.MAX_WBITS),
}
"""The same, for damaged data: they hold nothing back before the damage."""


@functools.cache
def broken_errors() -> tuple[type[Exception], ...]:
    """Errors that mean damaged data, whatever library found it."""
    found: list[type[Exception]] = [zlib.error, lzma.LZMAError, OSError, EOFError, ValueError]
    try:
        import zstandard  # noqa: PLC0415 - few logs need it
    except ImportError:
        pass
    else:
        found.append(zstandard.ZstdError)
    try:
        from isal import igzip_lib  # noqa: PLC0415 - optional
    except ImportError:
        pass
    else:
        found.append(cast("type[Exception]", igzip_lib.error))
    return tuple(found)
