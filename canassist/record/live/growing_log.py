"""A log that is still being written: whole blocks are read as they come."""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING, BinaryIO, Final

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_GZIP: Final = 16 + zlib.MAX_WBITS
_PIECE_BYTES: Final = 4 << 20


class GrowingLog:
    """Reads the text of whole gzip members, and waits at one that lacks its end.

    Parameters
    ----------
    path_of : callable
        Gives the name of each file in turn, from 0 on; a ring has many.
    """

    def __init__(self, path_of: Callable[[int], Path | None]) -> None:
        self._path_of = path_of
        self._number = 0
        self._file: BinaryIO | None = None
        self._place = 0

    def read(self) -> bytes:
        """Return the text that is new since the last call; b"" where there is none."""
        text = self._read_on()
        while not text and self._next_file():
            text = self._read_on()
        return text

    def close(self) -> None:
        """Close what is open."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _next_file(self) -> bool:
        """Go on to the next file where there is one."""
        number = self._number + (self._file is not None)
        path = self._path_of(number)
        try:
            new = None if path is None else path.open("rb")
        except FileNotFoundError:
            new = None
        if new is None:
            return False
        self.close()
        self._file, self._number, self._place = new, number, 0
        return True

    def _read_on(self) -> bytes:
        if self._file is None:
            return b""
        self._file.seek(self._place)
        raw = self._file.read(_PIECE_BYTES)
        texts = []
        while raw:
            member = zlib.decompressobj(_GZIP)
            try:
                text = member.decompress(raw)
            except zlib.error:  # half-written, and about to be written again
                break
            if not member.eof:
                break
            texts.append(text)
            self._place += len(raw) - len(member.unused_data)
            raw = member.unused_data
        return b"".join(texts)
