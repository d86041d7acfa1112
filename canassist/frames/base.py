"""What every log reader is, and where readers are registered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO, Protocol, runtime_checkable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import FrameBlock, IdSet, ReadReport

HEAD_BYTES = 4096
BLOCK_BYTES = 1 << 20
"""Readers work through a file in pieces of about this size, so memory stays flat."""

ENTRY_POINT_GROUP = "canassist.readers"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadRequest:
    """What the caller wants of a log.

    Attributes
    ----------
    wanted : IdSet or None
        Identifiers whose payload is wanted; None wants every payload.
    headers : bool
        Whether frames that are not wanted appear in the blocks all the same, without
        payload (for bus statistics). Without it blocks hold wanted frames only.
    """

    wanted: IdSet | None = None
    headers: bool = True


@runtime_checkable
class LogReader(Protocol):
    """Reads one log format.

    A reader skips what it cannot read, counts it in the report with its place, and
    keeps the rest. It never closes `source`.
    """

    @property
    def name(self) -> str:
        """Short name of the format, as it appears in the result."""

    @property
    def endings(self) -> tuple[str, ...]:
        """File endings that are usual for it, with the dot."""

    @property
    def needs_seek(self) -> bool:
        """Whether it must jump about in the file (then a compressed one is spooled to disk)."""

    def matches(self, head: bytes) -> bool:
        """Tell from the first `HEAD_BYTES` whether the file is of this format."""

    def read(
        self, source: BinaryIO, *, request: ReadRequest, report: ReadReport
    ) -> Iterator[FrameBlock]:
        """Yield the frames in file order, in blocks."""
