"""Records of MDF 4 bus events, many at a time."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from canassist.frames.formats.mf4.mf4_blocks import UnknownLayoutError
from canassist.frames.frame_rows import (
    CLASSIC_BYTES,
    FD_BYTES,
    FD_LENGTHS,
    HIGHEST_ID,
    HIGHEST_STANDARD_ID,
    MOST_BUSES,
    UNNAMED_BUS,
    Assembled,
    Candidates,
    assembled,
    bus_index,
)
from canassist.frames.text.digits import LARGEST_NS, NS_PER_S
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from canassist.frames.base import ReadRequest
    from canassist.frames.formats.mf4.mf4_layout import ChannelGroup, Field
    from canassist.model import BoolArray, ByteArray, FloatArray, IntArray, ReadReport

VARIABLE: Final = 1
"""Kind of a channel whose bytes stand in a stream of their own."""
_LENGTH_GIVEN: Final = 5
_VIRTUAL: Final = 6
"""Kind of a channel without bytes: its value is its conversion of the record's number."""
_IN_RECORD: Final = (0, 2, 4, _LENGTH_GIVEN)

_UNSIGNED: Final = (0, 1)
_WHOLE: Final = (0, 1, 2, 3)
_BIG_FIRST: Final = (1, 3, 5)
_FLOATS: Final = (4, 5)
_TEXT: Final = (6, 7)
_WORD_BYTES: Final = 8
_USED: Final = frozenset(
    {"ID", "IDE", "DLC", "DataLength", "DataBytes", "Dir", "EDL", "BRS", "ESI"}
    | {"BusChannel", "ErrorType"}
)
_FLOAT_TYPES: Final = {16: "f2", 32: "f4", 64: "f8"}
_LARGEST_STEP_NS: Final = 3600 * NS_PER_S  # a tick of more than an hour is none
_EXTENDED_BIT: Final = 0x8000_0000

_BUS_ERROR: Final = 0x88  # protocol violation, bus error (linux/can/error.h)
_NO_ACK: Final = 0x20
_ACK_ERROR: Final = 5
_CRC_ERROR: Final = 4
_CRC_PLACE: Final = 0x08
# ErrorType of the bus logging standard: unknown, bit, form, stuffing, checksum, acknowledgement
_PROTOCOL_DETAIL: Final[tuple[int, ...]] = (0, 0x01, 0x02, 0x04, 0, 0)


MOST_RECORDED_BUSES: Final = 64
"""No recorder has more CAN buses; a record that seems to was misunderstood. Own choice."""


class ImplausibleError(Exception):
    """What was read cannot be: records were misunderstood."""


class Bytes(Protocol):
    """Gives bytes that stand outside the records."""

    def get(self, place: IntArray, length: ByteArray, width: int) -> tuple[ByteArray, BoolArray]:
        """Return the bytes at each place, shape (n, width), and whether each was there."""


class RecordReader:
    """Reads records of one group.

    Parameters
    ----------
    group : ChannelGroup
    request : ReadRequest
    report : ReadReport

    Raises
    ------
    UnknownLayoutError
        If a part of the records is stored in a way that is not known here.
    """

    def __init__(self, group: ChannelGroup, request: ReadRequest, report: ReadReport) -> None:
        self.group = group
        self.request = request
        self.report = report
        self.fields = group.fields
        self._seen_buses: set[int] = set()
        known = all(
            _is_data(one) if name == "DataBytes" else _is_number(name, one)
            for name, one in self.fields.items()
            if name in _USED
        )
        if not known or group.time is None or not _is_time(group.time):
            raise UnknownLayoutError

    def read(self, records: ByteArray, elsewhere: Bytes | None = None) -> Assembled:
        """Read whole records; `failed` are those that hold no frame.

        Parameters
        ----------
        records : array of uint8, shape (n, size)
        elsewhere : Bytes or None
            Where the data bytes are if not in the records.
        """
        can_id, flags = self._identifiers(records)
        length, fine = self._lengths(records, flags)
        detail = None
        if self.group.event == "CAN_ErrorFrame":
            can_id, flags, detail = self._errors(records, can_id, flags)
            length = np.full_like(length, CLASSIC_BYTES) if detail is not None else length
            fine[:] = True
        wide = (flags & (FrameFlag.EXTENDED | FrameFlag.ERROR)) != 0
        fine &= can_id <= np.where(wide, HIGHEST_ID, HIGHEST_STANDARD_ID)
        rows = np.flatnonzero(fine)
        frames = Candidates(
            rows,
            self._buses(records)[rows],
            can_id[rows].astype(np.uint32),
            flags[rows],
            length[rows],
        )

        def times(chosen: IntArray) -> tuple[IntArray, BoolArray]:
            return self._times(records, rows[chosen])

        def payloads(chosen: IntArray) -> tuple[ByteArray, BoolArray]:
            if detail is not None:
                return detail[rows[chosen]], np.ones(len(chosen), dtype=np.bool_)
            return self._payloads(records, rows[chosen], length[rows[chosen]], elsewhere)

        done = assembled(frames, self.request, times, payloads)
        failed = np.concatenate((np.flatnonzero(~fine), done.failed))
        return done._replace(failed=np.sort(failed))

    def _number(self, records: ByteArray, name: str) -> IntArray | None:
        found = self.fields.get(name)
        if found is None:
            return None
        if found.kind == _VIRTUAL:
            return np.full(len(records), round(found.offset), dtype=np.int64)
        return whole_numbers(records, found)

    def _switch(self, records: ByteArray, name: str) -> BoolArray | None:
        found = self.fields.get(name)
        if found is None:
            return None
        on: BoolArray
        if found.kind == _VIRTUAL:
            on = np.full(len(records), found.offset != 0.0, dtype=np.bool_)
        elif found.type in _TEXT:
            on = records[:, found.byte] == ord("T")  # "Tx"
        else:
            on = whole_numbers(records, found) != 0
        return on

    def _identifiers(self, records: ByteArray) -> tuple[IntArray, ByteArray]:
        word = self._number(records, "ID")
        if word is None:
            word = np.zeros(len(records), dtype=np.int64)
        can_id = word & HIGHEST_ID
        extended = self._switch(records, "IDE")
        if extended is None:
            extended = (can_id > HIGHEST_STANDARD_ID) | ((word & _EXTENDED_BIT) != 0)
        flags = np.where(extended, FrameFlag.EXTENDED, 0).astype(np.uint8)
        for name, flag in (
            ("EDL", FrameFlag.FD),
            ("BRS", FrameFlag.BIT_RATE_SWITCH),
            ("ESI", FrameFlag.ERROR_STATE),
            ("Dir", FrameFlag.SENT),
        ):
            switch = self._switch(records, name)
            if switch is not None:
                flags |= switch.astype(np.uint8) * np.uint8(flag)
        if self.group.event == "CAN_RemoteFrame":
            flags |= np.uint8(FrameFlag.REMOTE)
        return can_id, flags

    def _lengths(self, records: ByteArray, flags: ByteArray) -> tuple[ByteArray, BoolArray]:
        is_fd = (flags & FrameFlag.FD) != 0
        given = self._number(records, "DataLength")
        code = self._number(records, "DLC")
        if code is None:
            length = given if given is not None else np.zeros(len(records), dtype=np.int64)
        else:
            coded = FD_LENGTHS[np.clip(code, 0, 15)].astype(np.int64)
            length = np.where(is_fd, coded, np.minimum(code, CLASSIC_BYTES))
            if given is not None and self.group.event != "CAN_RemoteFrame":
                length = given
        fine = (length >= 0) & (length <= FD_BYTES)
        fine &= np.isin(length, FD_LENGTHS)
        flags[length > CLASSIC_BYTES] |= np.uint8(FrameFlag.FD)
        return np.where(fine, length, 0).astype(np.uint8), fine

    def _errors(
        self, records: ByteArray, can_id: IntArray, flags: ByteArray
    ) -> tuple[IntArray, ByteArray, ByteArray | None]:
        """Put error frames in the terms of linux/can/error.h."""
        flags = (flags & np.uint8(FrameFlag.SENT)) | np.uint8(FrameFlag.ERROR)
        kind = self._number(records, "ErrorType")
        if kind is None:
            return can_id, flags, None  # python-can's own: identifier and data are those already
        detail = np.zeros((len(records), CLASSIC_BYTES), dtype=np.uint8)
        known = np.clip(kind, 0, len(_PROTOCOL_DETAIL) - 1)
        detail[:, 2] = np.array(_PROTOCOL_DETAIL, dtype=np.uint8)[known]
        detail[:, 3] = np.where(kind == _CRC_ERROR, _CRC_PLACE, 0)
        classes: IntArray = np.where(kind == _ACK_ERROR, _NO_ACK, _BUS_ERROR).astype(np.int64)
        return classes, flags, detail

    def _buses(self, records: ByteArray) -> ByteArray:
        number = self._number(records, "BusChannel")
        if number is None:
            name = self.group.bus or UNNAMED_BUS
            return np.full(len(records), self.report.bus_index(name), dtype=np.uint8)
        bus = np.zeros(len(records), dtype=np.uint8)
        values, first = np.unique(number, return_index=True)
        self._seen_buses.update(values.tolist())
        if len(self._seen_buses) > MOST_RECORDED_BUSES:
            raise ImplausibleError(f"more than {MOST_RECORDED_BUSES} buses")
        for one in values[np.argsort(first)].tolist():
            if len(self.report.buses) < MOST_BUSES or str(one) in self.report.buses:
                bus[number == one] = bus_index(self.report, str(one))
        return bus

    def _times(self, records: ByteArray, rows: IntArray) -> tuple[IntArray, BoolArray]:
        time = self.group.time
        if time is None:  # checked at the start
            raise UnknownLayoutError
        some = records[rows, time.byte : time.byte + time.size]
        return nanoseconds(some, time)

    def data_places(self, records: ByteArray) -> IntArray:
        """Read where the data bytes of each record stand in their own stream."""
        return whole_numbers(records, self.fields["DataBytes"])

    def _payloads(
        self, records: ByteArray, rows: IntArray, length: ByteArray, elsewhere: Bytes | None
    ) -> tuple[ByteArray, BoolArray]:
        width = FD_BYTES if int(length.max(initial=0)) > CLASSIC_BYTES else CLASSIC_BYTES
        data = self.fields.get("DataBytes")
        if data is None:
            return np.zeros((len(rows), width), dtype=np.uint8), length == 0
        if data.kind == VARIABLE:
            if elsewhere is None:
                raise UnknownLayoutError
            place = whole_numbers(records[rows], data)
            return elsewhere.get(place, length, width)
        here = min(data.bits // 8, width)
        payload = np.zeros((len(rows), width), dtype=np.uint8)
        payload[:, :here] = records[rows, data.byte : data.byte + here]
        payload[np.arange(width) >= length[:, np.newaxis]] = 0
        return payload, length <= data.bits // 8


def _is_whole(one: Field) -> bool:
    return one.type in _WHOLE and 0 < one.size <= _WORD_BYTES


def _is_number(name: str, one: Field) -> bool:
    if one.kind == _VIRTUAL:
        return _is_constant(one)
    text = name == "Dir" and one.type in _TEXT and one.bits > 0
    plain = one.table or (one.offset, one.factor) == (0.0, 1.0)  # a table gives texts for numbers
    return one.kind in _IN_RECORD and plain and (text or _is_whole(one))


def _is_constant(one: Field) -> bool:
    """Tell whether a channel without bytes has one whole value in all records."""
    same = not one.table and one.factor == 0.0
    return same and 0 <= one.offset <= HIGHEST_ID and one.offset == round(one.offset)


def _is_data(one: Field) -> bool:
    return one.kind in _IN_RECORD or (one.kind == VARIABLE and _is_whole(one))


def _is_time(one: Field) -> bool:
    is_float = one.type in _FLOATS and one.bit == 0 and one.bits in _FLOAT_TYPES
    return is_float or _is_whole(one)


def whole_numbers(records: ByteArray, found: Field) -> IntArray:
    """Read an integer of up to 64 bits from every record; signs are not looked at."""
    if found.type not in _WHOLE or not 0 < found.size <= _WORD_BYTES:
        raise UnknownLayoutError
    part = records[:, found.byte : found.byte + found.size]
    if found.size == 1 and found.bit == 0 and found.bits == 8:  # noqa: PLR2004 - one byte
        return part[:, 0].astype(np.int64)
    word = np.zeros((len(records), _WORD_BYTES), dtype=np.uint8)
    word[:, : found.size] = part[:, ::-1] if found.type in _BIG_FIRST else part
    number = word.view("<u8")[:, 0] >> np.uint64(found.bit)
    if found.bits < 64:  # noqa: PLR2004 - a whole word needs no mask
        number &= np.uint64((1 << found.bits) - 1)
    return number.astype(np.int64)


def nanoseconds(part: ByteArray, time: Field) -> tuple[IntArray, BoolArray]:
    """Turn the bytes of a time channel, in seconds after its formula, into nanoseconds."""
    if time.type in _FLOATS and time.bit == 0 and time.bits in _FLOAT_TYPES:
        order = ">" if time.type in _BIG_FIRST else "<"
        raw = np.ascontiguousarray(part).view(order + _FLOAT_TYPES[time.bits])[:, 0]
        return _rounded(raw.astype(np.float64) * time.factor + time.offset)
    number = whole_numbers(part, _moved_to_start(time))
    step = time.factor * NS_PER_S
    if time.type in _UNSIGNED:
        fine = number >= 0
    else:
        number = number << np.int64(64 - time.bits) >> np.int64(64 - time.bits)
        fine = np.ones(len(number), dtype=np.bool_)
    if (
        1 <= step <= _LARGEST_STEP_NS and abs(step - round(step)) < 1e-6 * step
    ):  # whole nanoseconds a tick
        fine &= np.abs(number) < LARGEST_NS // (2 * round(step))
        offset_ns = round(time.offset * NS_PER_S) if abs(time.offset) < 1e9 else 0  # noqa: PLR2004 - 30 years
        return np.where(fine, number, 0) * round(step) + offset_ns, fine
    time_ns, fine_float = _rounded(number.astype(np.float64) * time.factor + time.offset)
    return time_ns, fine & fine_float


def _rounded(seconds: FloatArray) -> tuple[IntArray, BoolArray]:
    fine = np.abs(seconds) < LARGEST_NS / NS_PER_S / 2  # not so for a NaN
    return np.rint(np.where(fine, seconds, 0.0) * NS_PER_S).astype(np.int64), fine


def _moved_to_start(found: Field) -> Field:
    return replace(found, byte=0)
