"""What is noted beside the frames: marks, and what the recorder itself lost."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class MarkKind(StrEnum):
    """What a key was pressed for."""

    HEAVY = "heavy"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A moment that somebody marked.

    Attributes
    ----------
    at_s : float
        Seconds since the log's first frame.
    at_log_s : float
        The same as a raw time stamp of the log.
    """

    kind: MarkKind
    at_s: float
    at_log_s: float
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderLoss:
    """Frames that came on the wire and are not in the log.

    `frames` is None where the driver says that, but not how many.
    """

    channel: str
    at_log_s: float
    why: str
    frames: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderHole:
    """A stretch in which a channel was not listened to; raw time stamps of the log.

    `end_log_s` is None as long as it lasts.
    """

    channel: str
    start_log_s: float
    why: str
    end_log_s: float | None = None
