"""Which of many spans of time meet one of many others, without comparing each with each."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import FloatArray

Span = tuple[float, float]


def meeting(spans: Sequence[Span], others: Sequence[Span], margin_s: float) -> list[bool]:
    """Tell for each span whether it overlaps one of the others, within a margin, s."""
    if not spans or not others:
        return [False] * len(spans)
    one, other = _columns(spans), _columns(others)
    other = other[:, np.argsort(other[0], kind="stable")]
    begun = np.searchsorted(other[0] - margin_s, one[1], side="right")
    latest = np.concatenate(([-np.inf], np.maximum.accumulate(other[1])))
    met: list[bool] = (one[0] - margin_s <= latest[begun]).tolist()
    return met


def _columns(spans: Sequence[Span]) -> FloatArray:
    return np.array(spans, dtype=np.float64).T
