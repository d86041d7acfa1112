"""Alive counters and checksums: what a sender itself adds so that losses and damage show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.signals.checksums import crc8_j1850, sum8, xor8
from canassist.decode.signals.extract import read_raw
from canassist.model import BoolArray, ByteArray, FloatArray, IntArray, Integrity, Problem

if TYPE_CHECKING:
    from canassist.decode.database.layouts import SignalLayout
    from canassist.decode.plan import IntegrityPlan
    from canassist.model import MessageFrames

CLEAR_ROUNDS: Final = 3
"""Rounds of a counter that must be seen before its lowest and highest value are trusted."""

METHOD_FAILS_SHARE: Final = 0.5
"""From this share of failures on it is the method named in the profile that is wrong."""

E2E_P01_ROUND: Final = 15
"""AUTOSAR E2E profile 1 counts 0 to 14; 15 is not used (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedMessage:
    """What counter and checksum say of one message, and what is doubtful about it."""

    integrity: Integrity
    problems: tuple[Problem, ...] = ()


def check_integrity(frames: MessageFrames, plan: IntegrityPlan) -> CheckedMessage:
    """Check alive counter and checksum of every frame of one message.

    Frames too short for the field are not judged. Where more than half of all checksums
    fail, the profile names the wrong method or signal: that is reported as a problem and
    none of it counts as evidence.

    Parameters
    ----------
    frames : MessageFrames
        In time order.
    plan : IntegrityPlan
        Which signals, and by which method.
    """
    place = f"integrity of {plan.message.name}"
    problems = []
    repeats, skipped = _counter(frames, plan)
    failed = _checksum_failures(frames, plan)
    if np.count_nonzero(failed) > METHOD_FAILS_SHARE * len(failed):
        what = f"{np.count_nonzero(failed)} of {len(failed)} checksums fail by {plan.method}: "
        problems.append(Problem(place, what + "not the method of this message; not counted"))
        failed = np.zeros_like(failed)
    if len(skipped) + repeats > METHOD_FAILS_SHARE * len(frames.time_s):
        what = f"{plan.counter.name if plan.counter else ''} does not count up by one: "
        problems.append(Problem(place, what + "not an alive counter; not counted"))
        repeats, skipped = 0, skipped[:0]
    return CheckedMessage(
        integrity=Integrity(
            message=plan.message.name,
            frames=len(frames.time_s),
            repeats=repeats,
            skips=len(skipped),
            checksum_failures=int(np.count_nonzero(failed)),
            failed_s=tuple(frames.time_s[failed].tolist()),
            skipped_s=tuple(skipped.tolist()),
        ),
        problems=tuple(problems),
    )


def _counter(frames: MessageFrames, plan: IntegrityPlan) -> tuple[int, FloatArray]:
    """Return how often the counter repeats, and the times after which it misses numbers."""
    signal = plan.counter
    if signal is None:
        return 0, np.empty(0)
    whole = frames.length >= signal.bytes_needed
    count = read_raw(frames.payload[whole], signal).astype(np.int64)
    if len(count) < 2:  # noqa: PLR2004 - a step needs two
        return 0, np.empty(0)
    step = np.diff(count) % _round(count, signal, plan.method)
    time_s = frames.time_s[whole]
    return int(np.count_nonzero(step == 0)), time_s[:-1][step > 1]


def _round(count: IntArray, signal: SignalLayout, method: str) -> int:
    """Return how many numbers the counter has before it starts over.

    All that its bits hold, unless the log shows for several rounds that it turns over
    earlier (some count 0 to 14, some leave out 0).
    """
    full: int = E2E_P01_ROUND if method == "e2e-p01" else 1 << signal.length
    low, high = int(count.min()), int(count.max())
    seen = high - low + 1
    turns = np.count_nonzero((count[:-1] == high) & (count[1:] == low))
    return seen if turns >= CLEAR_ROUNDS and seen > 1 else full


def _checksum_failures(frames: MessageFrames, plan: IntegrityPlan) -> BoolArray:
    """Tell which frames fail, shape (n,)."""
    failed = np.zeros(len(frames.time_s), dtype=np.bool_)
    if plan.checksum is None:
        return failed
    place = plan.checksum.start // 8
    for length in np.unique(frames.length):
        rows = np.flatnonzero(frames.length == length)
        if length <= place:
            continue
        covered = np.delete(frames.payload[rows, :length], place, axis=1)
        sent = frames.payload[rows, place]
        expected = _expected(covered, sent, plan, frames, rows)
        failed[rows] = sent != expected
    return failed


def _expected(
    covered: ByteArray, sent: ByteArray, plan: IntegrityPlan, frames: MessageFrames, rows: IntArray
) -> ByteArray:
    if plan.method == "xor8":
        return xor8(covered)
    if plan.method == "sum8":
        return sum8(covered)
    if plan.method == "crc8-j1850":
        return crc8_j1850(covered)
    return _e2e_p01(covered, sent, plan, frames, rows)


def _e2e_p01(
    covered: ByteArray, sent: ByteArray, plan: IntegrityPlan, frames: MessageFrames, rows: IntArray
) -> ByteArray:
    """Return the profile 1 checksum of each frame without knowing its data identifier.

    Profile 1 puts an identifier that never goes over the bus before the data. A CRC is
    linear, so for one length the identifier changes the result by one constant; where only
    one of its two bytes goes in by turns, by one for even and one for odd counts. The
    constant is the one that most frames agree on.

    References
    ----------
    AUTOSAR E2E profile 1 (from memory): polynomial 1D, start and final value 0.
    """
    bare = crc8_j1850(covered, start=0, final_xor=0)
    odd = np.zeros(len(rows), dtype=np.bool_)
    if plan.counter is not None:
        odd = read_raw(frames.payload[rows], plan.counter).astype(np.int64) % 2 == 1
    expected = bare.copy()
    for half in (odd, ~odd):
        if half.any():
            votes = np.bincount(sent[half] ^ bare[half], minlength=256)
            expected[half] = bare[half] ^ np.uint8(votes.argmax())
    return expected
