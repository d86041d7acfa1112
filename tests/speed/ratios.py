"""Ratios of processor time, measured in turns in one process."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable


def ratio(slow: Callable[[], object], fast: Callable[[], object], *, rounds: int = 3) -> float:
    """Return how many times less processor time `fast` takes, by the best round of each.

    The best of a few rounds is what a busy machine disturbs least; imports and caches are
    paid in a first call of each that does not count.
    """
    best = {}
    for name, work in (("slow", slow), ("fast", fast)):
        work()
        best[name] = float("inf")
    gc.disable()
    try:
        for _ in range(rounds):
            for name, work in (("slow", slow), ("fast", fast)):
                begun = time.process_time()
                work()
                best[name] = min(best[name], time.process_time() - begun)
    finally:
        gc.enable()
    return best["slow"] / best["fast"]
