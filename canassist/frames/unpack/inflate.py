"""Compressed bytes in, plain bytes out: bounded, and as far as damaged data reaches."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO, Final, Protocol

from canassist.errors import InflationError
from canassist.frames.unpack.inflate_engines import (
    BZIP2,
    CAREFUL,
    DEFLATE,
    FAST,
    GZIP,
    MAGIC,
    Engine,
    broken_errors,
    is_bzip2,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from typing_extensions import Buffer


class Report(Protocol):
    """Called with where and what when compressed data is damaged.

    `doubtful` tells that some of what was read is wrong, and not which part; `cut` that there
    was more.
    """

    def __call__(
        self,
        where: str,
        what: str,
        /,
        *,
        grave: bool = False,
        doubtful: bool = False,
        cut: bool = False,
    ) -> None:
        """Take note."""


PIECE_BYTES: Final = 1 << 16
_MIB: Final = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class InflationLimits:
    """How far a compressed log may grow.

    Attributes
    ----------
    max_bytes : int
        Most bytes that one log may inflate to.
    max_ratio : float
        Most inflated bytes to one compressed byte. Text logs reach 5 to 30; own choice, so
        that 5 MB take a minute at most.
    free_bytes : int
        The ratio is not looked at before this many bytes; the members of an archive share them.
    """

    max_bytes: int = 64 << 30
    max_ratio: float = 100.0
    free_bytes: int = 64 << 20


class Inflated(io.RawIOBase):
    """The plain bytes of a compressed file, member after member.

    Where the data is damaged, everything before the break is given, the break is
    reported, and reading goes on at the next member, if there is one.

    Parameters
    ----------
    source : BinaryIO
        Compressed bytes, at the start of the first member; must be able to seek.
    kind : str
        A key of `MAGIC`, or `DEFLATE` for bare data without header.
    name : str
        File name for messages.
    limits : InflationLimits
    report : callable
    """

    def __init__(
        self, source: BinaryIO, kind: str, *, name: str, limits: InflationLimits, report: Report
    ) -> None:
        super().__init__()
        self._source = source
        self._kind = kind
        self._name = name
        self._limits = limits
        self._report = report
        self._engine: Engine = FAST[kind]()
        self._broken = broken_errors()
        self._base = source.tell()
        self._member_start = self._base  # where the current member begins in the source
        self._piece_start = self._base
        self._member_out = 0
        self._total_out = 0
        self._waiting = b""  # inflated, not yet asked for
        self._over = False

    def readable(self) -> bool:
        """Tell that it can be read."""
        return True

    def readinto(self, buffer: Buffer) -> int:
        """Fill `buffer`; fewer bytes than fit mean that the data is at its end."""
        view = memoryview(buffer).cast("B")
        filled = 0
        while filled < len(view):
            out = self._waiting or self._next(len(view) - filled)
            if not out:
                break
            now = out[: len(view) - filled]
            self._waiting = out[len(now) :]
            view[filled : filled + len(now)] = now
            filled += len(now)
        return filled

    def _next(self, size: int) -> bytes:
        """Return some plain bytes, or none at the end."""
        while not self._over:
            if self._engine.eof:
                self._begin_next_member()
                continue
            piece = b""
            if self._engine.needs_input:
                self._piece_start = self._source.tell()
                piece = self._source.read(PIECE_BYTES)
                if not piece:
                    return self._end_early()
            try:
                out = self._engine.decompress(piece, size)
            except self._broken as error:
                out = self._after_break(error)
            else:
                self._count(len(out))
            if out:
                return out
        return b""

    def _count(self, size: int) -> None:
        self._member_out += size
        self._total_out += size
        if self._total_out <= self._limits.free_bytes:
            return
        eaten = max(self._source.tell() - self._base, 1)
        if self._total_out > min(self._limits.max_bytes, self._limits.max_ratio * eaten):
            self._over = True
            raise InflationError(
                f"{self._name}: inflates to more than {self._total_out // _MIB} MiB"
                f" from {eaten / _MIB:.1f} MiB, which no log does.",
                "Check where the file comes from; if it is a log, unpack it first.",
            )

    def _end_early(self) -> bytes:
        """Return what a careful engine still finds at the end of a cut file."""
        self._over = True
        last = b"".join(self._up_to_break())
        self._count(len(last))
        self._report(
            f"byte {self._source.tell()}",
            f"the {self._kind} data ends before its end:"
            f" what comes after {self._total_out} inflated bytes is missing",
            grave=True,
            cut=True,
        )
        return last

    def _begin_next_member(self) -> None:
        rest = self._engine.unused_data
        if self._kind == DEFLATE:
            self._over = True
            return
        start = self._source.tell() - len(rest)
        found = self._find_member(start, skip_blank_only=True)
        if found is None:
            self._over = True
            return
        self._start_member(found)

    def _start_member(self, at: int) -> None:
        self._source.seek(at)
        self._member_start = self._piece_start = at
        self._member_out = 0
        self._engine = FAST[self._kind]()

    def _find_member(self, start: int, *, skip_blank_only: bool = False) -> int | None:
        """Find where the next member begins, at or after `start`."""
        magic = MAGIC[self._kind]
        self._source.seek(start)
        at, carry = start, b""
        while piece := self._source.read(PIECE_BYTES):
            window = carry + piece
            if skip_blank_only:
                blank = len(window) - len(window.lstrip(b"\0"))
                if blank < len(window):
                    if window[blank:].startswith(magic):
                        return at - len(carry) + blank
                    self._report(f"byte {at}", f"other data after the end of the {self._kind} data")
                    skip_blank_only = False
            place = window.find(magic)
            while place >= 0:
                if self._looks_whole(at - len(carry) + place):
                    return at - len(carry) + place
                self._source.seek(at + len(piece))
                place = window.find(magic, place + 1)
            at += len(piece)
            carry = window[-(len(magic) - 1) :]
        return None

    def _looks_whole(self, at: int) -> bool:
        """Whether a member that inflates begins here."""
        self._source.seek(at)
        piece = self._source.read(PIECE_BYTES)
        if self._kind == BZIP2:  # gives nothing before the end of a large block
            return is_bzip2(piece)
        try:
            plain = CAREFUL[self._kind]().decompress(piece, 64)
        except self._broken:
            return False
        # a block of Zstandard or xz may be larger than the piece, and their marks are long
        return bool(plain) or self._kind != GZIP

    def _after_break(self, error: Exception) -> bytes:
        """Return what inflates before the break, and stand at the next member."""
        last = b"".join(self._up_to_break())
        self._count(len(last))
        at = self._piece_start
        doubtful = "check" in str(error).lower()  # of checksum or length, whatever library says it
        if doubtful:
            what = (
                f"the {self._kind} data is damaged somewhere before ({error}): what was read of it"
                f" may be wrong; {self._total_out} inflated bytes are kept"
            )
        else:
            what = (
                f"the {self._kind} data is damaged within the next {PIECE_BYTES} bytes ({error});"
                f" {self._total_out} inflated bytes before that are kept"
            )
        self._report(f"byte {at}", what, grave=True, doubtful=doubtful)
        found = (
            None if self._kind == DEFLATE else self._find_member(max(at, self._member_start + 1))
        )
        if found is None:
            self._over = True
        else:
            self._report(f"byte {found}", f"{self._kind} data goes on here after the damage")
            self._start_member(found)
        return last

    def _up_to_break(self) -> Iterator[bytes]:
        """Inflate the member again, byte by byte where it breaks, and give what is new."""
        engine = CAREFUL[self._kind]()
        stop, known = self._piece_start, self._member_out
        self._source.seek(self._member_start)
        at = self._member_start
        try:
            while not engine.eof:
                step = min(PIECE_BYTES, stop - at) if at < stop else 1
                piece = self._source.read(step)
                if not piece:
                    return
                at += len(piece)
                out = engine.decompress(piece, _MIB)
                while out:
                    if len(out) > known:
                        yield out[known:]
                    known = max(known - len(out), 0)
                    out = b"" if engine.needs_input or engine.eof else engine.decompress(b"", _MIB)
        except self._broken:
            return
