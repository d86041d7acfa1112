"""Whether a text log ends with a whole line."""

from __future__ import annotations

from typing import TYPE_CHECKING, BinaryIO, cast

if TYPE_CHECKING:
    from canassist.readers.text_lines import Lines


class EndWatch:
    """Reads for another and remembers how the file ended.

    Parameters
    ----------
    source : BinaryIO
    """

    def __init__(self, source: BinaryIO) -> None:
        self._source = source
        self._last = b"\n"
        self._over = False

    def read(self, size: int = -1) -> bytes:
        """Return up to `size` bytes."""
        data = self._source.read(size)
        if data:
            self._last = data[-2:]
        else:
            self._over = True
        return data

    def as_file(self) -> BinaryIO:
        """Return itself as what readers of lines take."""
        return cast("BinaryIO", self)

    def cut_row(self, lines: Lines) -> int | None:
        """Return which of these lines is the last of the file and has no end, if one is.

        It may be cut short even where it looks like a whole frame.
        """
        if not self._over or self._last.strip(b"\0")[-1:] in (b"\n", b"\r"):
            return None
        return lines.text.count(b"\n") - 1
