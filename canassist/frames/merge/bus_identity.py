"""Whether two logs hold the same bus, buses of one ride, or different rides.

Told by what is on the bus: its identifiers and their values. Names say little, for each
recorder numbers its buses as it likes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.frames.block_tools import marks_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from canassist.model import FrameBlock

ALIKE: Final = 0.5
"""Share of a bus's identifiers that another one has too, where both are one bus."""
_APART: Final = 0.2  # share of identifiers in common below which buses are different ones
_MOVES: Final = 3  # different payloads of an identifier that make it worth asking
_SAME_VALUES: Final = 0.5  # share of an identifier's frames whose payload the other has too
_AGREEING_IDS: Final = 0.7  # share of moving identifiers that must agree
SAME_TIME_NS: Final = 200_000
"""Formats round their times by up to this much."""
_GRID_NS: Final = SAME_TIME_NS
_SAME_FRAMES: Final = 0.8  # share of frames in common that makes two logs one bus
# All of them own choice, set on drives and on rides of one vehicle given as one.


def share_in_common(ids: frozenset[int], other: frozenset[int]) -> float:
    """Return the share of the smaller set that both have."""
    smaller = min(len(ids), len(other))
    return len(ids & other) / smaller if smaller else 0.0


def are_apart(ids: frozenset[int], other: frozenset[int]) -> bool:
    """Tell whether two logs hold different buses, by their identifiers."""
    return share_in_common(ids, other) < _APART


def values_agree(block: FrameBlock, others: Iterable[FrameBlock]) -> bool:
    """Tell whether the payloads of the identifiers that two logs share are the same ones.

    Parameters
    ----------
    block : FrameBlock
        Some frames of one log, with payloads.
    others : iterable of FrameBlock
        The other log's frames over the same time, and some more.

    Returns
    -------
    bool
        True also where no shared identifier moves: then nothing speaks against it.
    """
    mine = _payloads([block])
    theirs = _payloads(others)
    agreeing = asked = 0
    for key, values in mine.items():
        known = theirs.get(key)
        if known is None or max(len(set(values)), len(set(known))) < _MOVES:
            continue
        asked += 1
        known_values = set(known)
        agreeing += sum(one in known_values for one in values) >= _SAME_VALUES * len(values)
    return agreeing >= _AGREEING_IDS * asked


def frames_agree(block: FrameBlock, others: Iterable[FrameBlock]) -> bool:
    """Tell whether the frames of one log are in the other too, at the same times."""
    found = list(others)
    if not found or not len(block):
        return False
    marks = np.concatenate([marks_of(one) for one in found])
    steps = np.concatenate([one.time_ns for one in found]) // _GRID_NS
    theirs = set(zip(marks.tolist(), steps.tolist(), strict=True))
    mine = zip(marks_of(block).tolist(), (block.time_ns // _GRID_NS).tolist(), strict=True)
    same = sum(not theirs.isdisjoint((mark, at + by) for by in (-1, 0, 1)) for mark, at in mine)
    return same >= _SAME_FRAMES * len(block)


def _payloads(blocks: Iterable[FrameBlock]) -> dict[int, list[bytes]]:
    found: dict[int, list[bytes]] = {}
    for block in blocks:
        keys = block.key[block.payload_row].tolist()
        lengths = block.length[block.payload_row].tolist()
        for key, length, row in zip(keys, lengths, block.payload, strict=True):
            found.setdefault(key, []).append(row[:length].tobytes())
    return found


def best_match(
    ids: frozenset[int], known: Mapping[str, frozenset[int]], name: str, taken: set[str]
) -> str | None:
    """Return the known bus that a bus of the next part is, by its identifiers.

    Its own name wins where the identifiers do not speak against it.
    """
    free = {one: theirs for one, theirs in known.items() if one not in taken}
    own = free.get(name)
    if own is not None and (not ids or not own or share_in_common(ids, own) >= ALIKE):
        return name
    shares = {one: share_in_common(ids, theirs) for one, theirs in free.items()}
    best = max(shares, key=shares.__getitem__, default=None)
    if best is not None and shares[best] >= ALIKE:
        return best
    return name if own is not None else None
