"""A small number for each identifier on each bus, found for whole columns at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from canassist.model import ByteArray, IdArray, IntArray

_CELLS: Final = 1 << 16
_KEY_BITS: Final = 0xFFFF_FFFF


class Sources:
    """A small number for each identifier on each bus, found for whole columns at once."""

    def __init__(self) -> None:
        self.key = np.empty(0, dtype=np.uint32)
        self.bus = np.empty(0, dtype=np.uint8)
        self._table = np.zeros(_CELLS, dtype=np.int64)
        self._taken = np.zeros(_CELLS, dtype=np.bool_)
        self._all: dict[int, int] = {}

    def __len__(self) -> int:
        return len(self.key)

    def of(self, key: IdArray, bus: ByteArray) -> IntArray:
        """Return the number of every frame's source, new ones added."""
        if not len(self.key):
            return self._add(key, bus)
        slot = self._table.take(cells_of(key, bus))  # of an empty cell: some other source's
        known = self.key.take(slot) == key
        known &= self.bus.take(slot) == bus
        if not known.all():
            missing = np.flatnonzero(~known)
            slot[missing] = self._add(key[missing], bus[missing])
        return slot

    def _add(self, key: IdArray, bus: ByteArray) -> IntArray:
        pair = (bus.astype(np.int64) << 32) | key.astype(np.int64)
        distinct, back = np.unique(pair, return_inverse=True)
        new = [one for one in distinct.tolist() if one not in self._all]
        if new:
            self._register(np.array(new, dtype=np.int64))
        numbers = np.array([self._all[one] for one in distinct.tolist()], dtype=np.int64)
        return numbers[back]

    def _register(self, pairs: IntArray) -> None:
        first = len(self.key)
        self._all.update(zip(pairs.tolist(), range(first, first + len(pairs)), strict=True))
        keys, buses = (pairs & _KEY_BITS).astype(np.uint32), (pairs >> 32).astype(np.uint8)
        self.key = np.append(self.key, keys)
        self.bus = np.append(self.bus, buses)
        for number, cell in enumerate(cells_of(keys, buses).tolist(), start=first):
            if not self._taken[cell]:
                self._table[cell], self._taken[cell] = number, True


def cells_of(key: IdArray, bus: ByteArray) -> NDArray[np.uint32]:
    """Spread sources over 65,536 cells (multiplication by the golden ratio's odd integer)."""
    mixed = key + bus.astype(np.uint32) * np.uint32(0x85EB_CA6B)
    mixed *= np.uint32(0x9E37_79B1)
    cell: NDArray[np.uint32] = mixed >> np.uint32(16)
    return cell
