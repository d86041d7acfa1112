"""How long work tells where it stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Step:
    """Where a piece of work stands: `done` of `total` units; total 0 where unknown.

    ``frames`` is how many CAN frames were read so far; None where none are counted.
    """

    stage: str
    done: float
    total: float
    frames: int | None = None


class Progress(Protocol):
    """Called now and then while work goes on; may raise to stop it cleanly."""

    def __call__(self, step: Step, /) -> None:
        """Take note of where the work stands."""


def silent(step: Step, /) -> None:
    """Take no note."""
