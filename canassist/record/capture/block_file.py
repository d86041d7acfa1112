"""A log file made of whole gzip members: what stands in it can be read, whatever happens next."""

from __future__ import annotations

import errno
import os
import zlib
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pathlib import Path

_GZIP: Final = 16 + zlib.MAX_WBITS
_LEVEL: Final = 1
"""Fastest packing: a full bus must not wait for it."""
_NO_SYNC: Final = frozenset({errno.EINVAL, errno.ENOTSUP, errno.EROFS})
"""What a system answers where a file cannot be synced at all, such as a pipe."""


def pack(text: bytes) -> bytes:
    """Return one gzip member (RFC 1952; members may follow each other in one file)."""
    packer = zlib.compressobj(_LEVEL, zlib.DEFLATED, _GZIP)
    return packer.compress(text) + packer.flush()


class BlockFile:
    """A new file to which whole members are added.

    A member that could not be written whole is cut off again, so that the file ends with a
    whole one; the member may be tried again.

    Parameters
    ----------
    path : Path

    Attributes
    ----------
    size : int
        Bytes of whole members.

    Raises
    ------
    OSError
        If there is such a file already, or it cannot be made.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.size = 0
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        self._handle = os.open(path, flags, 0o666)

    def append(self, member: bytes) -> None:
        """Write a member, and see to it that it is on the disk.

        Raises
        ------
        OSError
            If it was not written; the file is then as it was before.
        """
        try:
            self._write(member)
            self._sync()
        except OSError:
            self._cut()
            raise
        self.size += len(member)

    def _write(self, member: bytes) -> None:
        rest = memoryview(member)
        while rest:
            rest = rest[os.write(self._handle, rest) :]

    def _sync(self) -> None:
        try:
            os.fsync(self._handle)
        except OSError as error:
            if error.errno not in _NO_SYNC:
                raise

    def _cut(self) -> None:
        try:
            os.ftruncate(self._handle, self.size)
            os.lseek(self._handle, self.size, os.SEEK_SET)
        except OSError:  # the disk is gone; a reader copes with a member that lacks its end
            return

    def close(self) -> None:
        """Close the file."""
        os.close(self._handle)
