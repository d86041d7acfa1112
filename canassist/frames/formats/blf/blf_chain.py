"""Where the objects in a stream of BLF objects begin; damage between them is stepped over."""

from __future__ import annotations

import re
from bisect import bisect_left
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.frames.formats.blf.blf_containers import LARGEST_OBJECT, OBJECT_BASE, OBJECT_MARK

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canassist.model import IntArray

    Words = NDArray[np.uint32]

_MARK: Final = np.uint32(int.from_bytes(OBJECT_MARK, "little"))
_MARKS: Final = re.compile(re.escape(OBJECT_MARK))
_GAP: Final = 8  # an object begins less than so many bytes after the end of the one before
_WORD: Final = 4
SPARE_WORDS: Final = 64
"""Words behind a piece of the stream, so that every column near its end exists."""


class Objects(NamedTuple):
    """Objects in a piece of the stream.

    Attributes
    ----------
    words : array of uint32
        The piece; some more words follow it, whose content means nothing.
    at : array of int64, shape (n,)
        Word at which each object begins.
    size : array of int64, shape (n,)
        Size of each object in bytes.
    used : int
        Bytes of the piece that are done with.
    lost : int
        Bytes of it that belong to no whole object.
    where : str
        Place for messages.
    """

    words: Words
    at: IntArray
    size: IntArray
    used: int
    lost: int
    where: str


def find_objects(words: Words, size: int, where: str, *, final: bool) -> Objects:
    """Find all whole objects in a piece of the stream that begins with one.

    Parameters
    ----------
    words : array of uint32
        The piece, with at least `SPARE_WORDS` behind it.
    size : int
        Its bytes.
    where : str
        Place for messages.
    final : bool
        Nothing follows: what is not whole is lost.
    """
    at = np.flatnonzero(words[: size // _WORD] == _MARK)
    if len(at) and at[-1] * _WORD + OBJECT_BASE.size > size:
        at = at[:-1]  # its size is not known yet
    length = words[at + 2].astype(np.int64)
    begin = at * _WORD
    end = begin + length
    if len(at) and at[0] == 0 and bool(_follows(begin[1:], end[:-1]).all()):
        if end[-1] <= size and (size < end[-1] + _GAP or not final):
            return Objects(words, at, length, size if final else int(end[-1]), 0, where)
        if end[-1] > size and not final and length[-1] <= LARGEST_OBJECT:
            return Objects(words, at[:-1], length[:-1], int(begin[-1]), 0, where)
    return _step_by_step(words.view(np.uint8)[:size].tobytes(), where, final=final)


def _follows(begin: IntArray, end: IntArray) -> NDArray[np.bool_]:
    gap = begin - end
    follows: NDArray[np.bool_] = (gap >= 0) & (gap < _GAP)
    return follows


def _step_by_step(data: bytes, where: str, *, final: bool) -> Objects:
    """Find objects that stand at odd places or between damage; copy them to even places."""
    marks = [found.start() for found in _MARKS.finditer(data)]
    whole: list[bytes] = []
    sizes: list[int] = []
    used, lost, row = 0, 0, 0
    while row < len(marks):
        begin = marks[row]
        lost += begin - used if begin - used >= _GAP else 0
        size = _size_at(data, begin)
        if size is None or begin + size > len(data):
            if not final and (size is not None or begin + OBJECT_BASE.size > len(data)):
                return _objects(whole, sizes, begin, lost, where)
            used = begin
            row += 1
            continue
        end = begin + size
        following = bisect_left(marks, end)
        next_begin = marks[following] if following < len(marks) else len(data)
        if next_begin - end >= _GAP:  # its size is wrong, or its end was overwritten
            used = begin
            row += 1
            continue
        whole.append(data[begin:end])
        sizes.append(size)
        used, row = end, following
    if not final:
        keep = len(OBJECT_MARK) - 1 if len(data) - used >= _GAP else len(data) - used
        rest = len(data) - keep
        lost += rest - used if rest - used >= _GAP else 0
        return _objects(whole, sizes, rest, lost, where)
    rest = len(data) - used
    return _objects(whole, sizes, len(data), lost + (rest if rest >= _GAP else 0), where)


def _size_at(data: bytes, begin: int) -> int | None:
    """Return the size of the object that begins there, or None where it is none."""
    if begin + OBJECT_BASE.size > len(data):
        return None
    _, header_size, _, size, _ = OBJECT_BASE.unpack_from(data, begin)
    return size if OBJECT_BASE.size <= header_size <= size <= LARGEST_OBJECT else None


def _objects(whole: list[bytes], sizes: list[int], used: int, lost: int, where: str) -> Objects:
    padded = [one + b"\0" * (-len(one) % _WORD) for one in whole]
    joined = b"".join(padded) + b"\0" * (_WORD * SPARE_WORDS)
    lengths = np.array([len(one) for one in padded], dtype=np.int64)
    at = (np.cumsum(lengths) - lengths) // _WORD
    return Objects(
        np.frombuffer(joined, dtype=np.uint32),
        at,
        np.array(sizes, dtype=np.int64),
        used,
        lost,
        where,
    )
