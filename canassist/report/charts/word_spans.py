"""What a text channel says over time, as stretches of one word."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.report.charts.chart_values import Word
from canassist.report.page.shortening import short

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canassist.model import Channel

_LONGEST: Final = 40
_LEAST_SHARE: Final = 0.0025
"""A stretch shorter than this share of a picture is two px wide or less."""
_MOST_WORDS: Final = 200


def word_spans(channel: Channel, end: float) -> tuple[Word, ...]:
    """Return the stretches in which a text channel says one thing.

    Parameters
    ----------
    channel : Channel
        A text channel.
    end : float
        End of the log in seconds.

    Returns
    -------
    tuple of Word
        In time order; a gap is left out.
    """
    rows = np.flatnonzero(~np.isnan(channel.value))
    if not len(rows):
        return ()
    time_s, value = channel.time_s[rows], channel.value[rows]
    gap = np.diff(time_s, prepend=time_s[0]) > channel.stale_after_s
    starts = np.flatnonzero((np.diff(value, prepend=np.inf) != 0) | gap)
    lasts = np.append(starts[1:], len(rows)) - 1
    until = np.append(time_s[1:], end)
    ends = np.minimum(until[lasts], time_s[lasts] + channel.stale_after_s)
    return tuple(
        Word(float(time_s[first]), float(stop), short(channel.text_at(int(rows[first])), _LONGEST))
        for first, stop in zip(starts, ends, strict=True)
    )


def few_words(words: tuple[Word, ...], low: float, high: float) -> tuple[Word, ...]:
    """Return stretches for a picture from `low` to `high`: what is too short to see is joined.

    A joined stretch says nothing; words that change all the time are a texture, not a text.
    """
    shown = [word for word in words if word.end > low and word.start < high]
    share = _LEAST_SHARE
    while len(shown) > _MOST_WORDS:
        shown = list(_joined(shown, share * (high - low)))
        share *= 2.0
    return tuple(shown)


def _joined(words: Iterable[Word], least: float) -> Iterable[Word]:
    held: Word | None = None
    for word in words:
        short_one = word.end - word.start < least
        if held is not None and short_one and word.start - held.end < least:
            held = Word(held.start, word.end, "")
            continue
        if held is not None:
            yield held
        held = word if short_one else None
        if not short_one:
            yield word
    if held is not None:
        yield held
