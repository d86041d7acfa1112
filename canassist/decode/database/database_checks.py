"""What a database may get wrong: signals that cannot be read safely are left out and named."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from typing import TYPE_CHECKING, Final

from canassist.decode.database.dbc_text import MAX_FRAME_BYTES, MAX_SIGNAL_BITS, DbcProblem

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canassist.decode.database.dbc_text import CleanText
    from canassist.decode.database.layouts import MessageLayout, SignalLayout

FLOAT_BITS: Final = (16, 32, 64)
MAX_SELECTOR_DEPTH: Final = 8
_MOST_PAIRS: Final = 100_000
"""Pairs of signals of one message that are held against each other: a note is not worth more."""
_MOST_OVERLAPS: Final = 25
"""Overlaps of one message that are told."""


def check_messages(
    messages: Iterable[MessageLayout], clean: CleanText
) -> tuple[list[MessageLayout], list[DbcProblem]]:
    """Leave out what cannot be read safely.

    Signals with a zero scale, without bits, with more than 64, beyond the frame or behind a
    selector that does not exist are dropped. Overlapping signals are kept, and named: both
    readings are possible, and which one is right only the database's author knows.

    Parameters
    ----------
    messages : iterable of MessageLayout
        As parsed.
    clean : CleanText
        Gives the lines; empty for formats without them.
    """
    kept, dbc_problems = [], []
    for message in messages:
        line_of = _LineOf(message.key, clean)
        if message.length > MAX_FRAME_BYTES:
            dbc_problems.append(
                DbcProblem(
                    line_of(None),
                    f"message {message.name}: {message.length} bytes do not fit into a frame; "
                    "left out",
                )
            )
            continue
        good = []
        for signal in message.signals:
            wrong = _wrong(signal, message)
            if wrong:
                what = f"message {message.name}: signal {signal.name} {wrong}; left out"
                dbc_problems.append(DbcProblem(line_of(signal), what))
            else:
                good.append(signal)
        dbc_problems += [
            DbcProblem(line_of(second), _overlap_text(first, second))
            for first, second in islice(_overlaps(good), _MOST_OVERLAPS)
        ]
        kept.append(replace(message, signals=tuple(good)))
    return kept, dbc_problems


class _LineOf:
    """Line of a message or of one of its signals; 0 where unknown."""

    def __init__(self, key: int, clean: CleanText) -> None:
        self.key = key
        self.clean = clean

    def __call__(self, signal: SignalLayout | None) -> int:
        if signal is not None:
            place = (self.key, signal.start, signal.length)
            if place in self.clean.signal_lines:
                return self.clean.signal_lines[place]
        return self.clean.message_lines.get(self.key, 0)


def _wrong(signal: SignalLayout, message: MessageLayout) -> str:
    if not 1 <= signal.length <= MAX_SIGNAL_BITS:
        return f"has {signal.length} bits, not 1 to {MAX_SIGNAL_BITS}"
    if signal.is_float and signal.length not in FLOAT_BITS:
        return f"is a float of {signal.length} bits"
    if signal.scale == 0:
        return "has the scale 0"
    if signal.bytes_needed > message.length:
        return f"ends in byte {signal.bytes_needed} of {message.length}"
    if signal.selector and not _reachable(signal, message):
        return f"depends on the selector {signal.selector}, which is not in the message"
    return ""


def _reachable(signal: SignalLayout, message: MessageLayout) -> bool:
    for _ in range(MAX_SELECTOR_DEPTH):
        if not signal.selector:
            return True
        above = message.by_name.get(signal.selector)
        if above is None or above is signal:
            return False
        signal = above
    return False


def _overlap_text(first: SignalLayout, second: SignalLayout) -> str:
    return f"message {first.message}: signals {first.name} and {second.name} overlap; both kept"


def _overlaps(signals: list[SignalLayout]) -> Iterator[tuple[SignalLayout, SignalLayout]]:
    """Pairs that share bits and may be in one frame together."""
    masks = [_bits(signal) for signal in signals]
    taken = looked = 0
    for number, (signal, mask) in enumerate(zip(signals, masks, strict=True)):
        if taken & mask and looked < _MOST_PAIRS:
            looked += number
            for other, its_mask in zip(signals[:number], masks[:number], strict=True):
                if its_mask & mask and not _exclude(signal, other):
                    yield other, signal
        taken |= mask


def _exclude(one: SignalLayout, other: SignalLayout) -> bool:
    """Tell whether two multiplexed signals are never in the same frame.

    Signals behind different selectors are taken to exclude each other: to follow the tree
    for a note that changes nothing is not worth it.
    """
    if not one.selector or not other.selector:
        return False
    if one.selector != other.selector:
        return True
    return not set(one.selector_values) & set(other.selector_values)


def _bits(signal: SignalLayout) -> int:
    """Bits that a signal takes, as a mask over the frame in transmission order."""
    if not signal.big_endian:
        mask = 0
        for bit in range(signal.start, signal.start + signal.length):
            mask |= 1 << (bit // 8 * 8 + 7 - bit % 8)
        return mask
    first = signal.start // 8 * 8 + 7 - signal.start % 8
    return ((1 << signal.length) - 1) << first
