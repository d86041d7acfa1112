"""Raw bits to values, many frames at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from canassist.model import BoolArray, ByteArray, FloatArray, IntArray

if TYPE_CHECKING:
    from canassist.decode.database.layouts import MessageLayout, SignalLayout
    from canassist.model import MessageFrames

RawArray = NDArray[np.int64] | NDArray[np.uint64] | NDArray[np.float64]
"""Raw values: int64 for signed signals, uint64 for unsigned, float64 for float ones."""

MAX_BYTES: Final = 64
_WORD: Final = 8  # bytes read at once
_WORD_BITS: Final = 64
_FLOATS: Final[dict[int, tuple[type[np.unsignedinteger[Any]], type[np.floating[Any]]]]] = {
    16: (np.uint16, np.float16),
    32: (np.uint32, np.float32),
    64: (np.uint64, np.float64),
}  # Any: numpy's own width parameter
_MAX_INT64: Final = 2**63 - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class RawSamples:
    """One signal's samples of one identifier.

    Attributes
    ----------
    time_s : array of float64, shape (n,)
        Of the frames that hold the signal; of a multiplexed one, only where it is present.
    raw : array, shape (n,)
        As sent; 0 where `short`.
    value : array of float64, shape (n,)
        ``raw * scale + offset``; NaN where `short`.
    short : array of bool, shape (n,)
        The frame ends before the signal does.
    """

    time_s: FloatArray
    raw: RawArray
    value: FloatArray
    short: BoolArray


def decode_signal(
    frames: MessageFrames, message: MessageLayout, signal: SignalLayout
) -> RawSamples:
    """Decode one signal of all frames of one identifier.

    Parameters
    ----------
    frames : MessageFrames
        Payload of shape (n, 8) or (n, 64), zero beyond each frame's length.
    message : MessageLayout
        Holds the selectors of a multiplexed signal.
    signal : SignalLayout
        1 to 64 bits, or a float of 16, 32 or 64.

    Returns
    -------
    RawSamples
        Values in the database's unit. Whole numbers are exact up to 53 bits.
    """
    time_s, payload, length = frames.time_s, frames.payload, frames.length
    rows = present_rows(frames, message, signal)
    if rows is not None:
        time_s, payload, length = time_s[rows], payload[rows], length[rows]
    short = length < signal.bytes_needed
    with np.errstate(invalid="ignore", over="ignore"):  # float signals may hold anything
        raw = read_raw(payload, signal)
        value = scale_raw(raw, signal)
    if short.any():
        raw[short] = 0
        value[short] = np.nan
    return RawSamples(time_s=time_s, raw=raw, value=value, short=short)


def present_rows(
    frames: MessageFrames, message: MessageLayout, signal: SignalLayout
) -> IntArray | None:
    """Return the rows in which a multiplexed signal is present; None means every row.

    Nested selectors are followed to the root: each of them must itself be present.
    """
    keep: BoolArray | None = None
    while signal.selector:
        selector = message.by_name[signal.selector]
        holds = np.isin(read_raw(frames.payload, selector), signal.selector_values)
        holds &= frames.length >= selector.bytes_needed
        keep = holds if keep is None else keep & holds
        signal = selector
    return None if keep is None else np.flatnonzero(keep)


def read_raw(payload: ByteArray, signal: SignalLayout) -> RawArray:
    """Cut a signal's bits out of every payload.

    A signal of up to 64 bits touches at most 9 bytes: the first 8 are read as one word
    and shifted until the signal's highest bit is on top, the ninth is put behind them where
    needed, and one more shift (arithmetic for signed signals) brings it down.

    Parameters
    ----------
    payload : array of uint8, shape (n, w)
        A signal that ends beyond ``w`` reads as zero.

    Returns
    -------
    array of int64, uint64 or float64, shape (n,)
    """
    if payload.shape[1] < signal.bytes_needed:
        payload = np.zeros((len(payload), MAX_BYTES), dtype=np.uint8)
    word = _top_big(payload, signal) if signal.big_endian else _top_little(payload, signal)
    down = _WORD_BITS - signal.length
    if signal.is_float:
        bits, kind = _FLOATS[signal.length]
        number: FloatArray = (word >> np.uint64(down)).astype(bits).view(kind).astype(np.float64)
        return number
    if signal.signed:
        signed: NDArray[np.int64] = word.view(np.int64) >> np.int64(down)
        return signed
    return word >> np.uint64(down)


def scale_raw(raw: RawArray, signal: SignalLayout) -> FloatArray:
    """Turn raw values into the database's unit, shape (n,).

    With a whole scale and offset the sum is made in whole numbers, so it is exact; where
    that could overflow 64 bits, and in all other cases, in float64 as Python does.
    """
    scale, offset = signal.scale, signal.offset
    if scale == 1 and offset == 0:
        return raw.astype(np.float64)
    if isinstance(scale, int) and not signal.is_float:
        extra = offset if isinstance(offset, int) else 0
        if _largest(signal) * abs(scale) + abs(extra) <= _MAX_INT64:
            whole = raw.astype(np.int64) * np.int64(scale)
            if isinstance(offset, int):
                return (whole + np.int64(offset)).astype(np.float64)
            shifted: FloatArray = whole.astype(np.float64) + offset
            return shifted
    scaled: FloatArray = raw.astype(np.float64) * float(scale) + float(offset)
    return scaled


def _largest(signal: SignalLayout) -> int:
    return 1 << (signal.length - 1 if signal.signed else signal.length)


def _top_little(payload: ByteArray, signal: SignalLayout) -> NDArray[np.uint64]:
    """Signal's highest bit in bit 63, little-endian."""
    first, shift = divmod(signal.start, 8)
    last = (signal.start + signal.length - 1) // 8
    if payload.shape[1] == _WORD:
        first, shift, last = 0, signal.start, 0
    word = _word(payload, first, "<u8")
    up = _WORD_BITS - signal.length
    if last - first < _WORD:
        return word << np.uint64(up - shift)
    ninth = payload[:, last].astype(np.uint64) << np.uint64(_WORD_BITS - shift)
    return ((word >> np.uint64(shift)) | ninth) << np.uint64(up)


def _top_big(payload: ByteArray, signal: SignalLayout) -> NDArray[np.uint64]:
    """Signal's highest bit in bit 63, big-endian."""
    start = signal.start // 8 * 8 + 7 - signal.start % 8  # counted from the first bit sent
    first, lead = divmod(start, 8)
    last = (start + signal.length - 1) // 8
    if payload.shape[1] == _WORD:
        first, lead, last = 0, start, 0
    word = _word(payload, first, ">u8").astype(np.uint64) << np.uint64(lead)
    if last - first == _WORD:
        word |= payload[:, last].astype(np.uint64) >> np.uint64(8 - lead)
    return word


def _word(payload: ByteArray, first: int, kind: str) -> NDArray[np.uint64]:
    """Eight bytes from `first` on as one number each; beyond the payload they are zero."""
    window = payload[:, first : first + _WORD]
    if window.shape[1] < _WORD:
        padded = np.zeros((len(payload), _WORD), dtype=np.uint8)
        padded[:, : window.shape[1]] = window
        window = padded
    word: NDArray[np.uint64] = np.ascontiguousarray(window).view(kind)[:, 0]
    return word
