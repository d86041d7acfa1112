"""Which bus events an MDF 4 file holds, and where in a record each of their parts is."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from canassist.frames.formats.mf4.mf4_blocks import HEADER_AT, DamageError
from canassist.frames.frame_rows import EARLIEST_YEAR

if TYPE_CHECKING:
    from canassist.frames.formats.mf4.mf4_blocks import Block, Blocks
    from canassist.model import ReadReport

_VERSION: Final = slice(8, 16)
_UNFINISHED: Final = slice(60, 62)

_LOCAL_TIME: Final = 0x01
_START: Final = struct.Struct("<QhhB")  # ns since 1970, zone, summer time, flags
_GROUP: Final = struct.Struct("<QQHH4xII")  # record id, records, flags, -, bytes, flag bytes
_CHANNEL: Final = struct.Struct("<BBBBII")  # kind, sync, type, bit, byte, bits
_FORMULA: Final = struct.Struct("<BBHHHdd")  # type, -, flags, references, values, min, max

_VARIABLE: Final = 0x01  # flag of a group that holds the bytes of another one's channel
_MASTER: Final = 2
_TIME: Final = 1
_LINEAR: Final = 1
_ALIKE: Final = 0

_MOST_GROUPS: Final = 20_000
_MOST_CHANNELS: Final = 2_000  # of one group
_LARGEST_RECORD: Final = 1 << 20  # bytes
_DEEPEST: Final = 4
EVENTS: Final = ("CAN_DataFrame", "CAN_RemoteFrame", "CAN_ErrorFrame")


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One number or byte array in a record.

    Attributes
    ----------
    kind : int
        0 in the record, 1 elsewhere with its place in the record, 5 with its own length,
        6 not in the record: the value is its formula of the record's number.
    type : int
        Data type as the format numbers them.
    byte, bit, bits : int
        Where it begins and how long it is.
    offset, factor : float
        Value in its unit: offset + factor * number.
    signal : int
        Address of the stream that holds the bytes of a channel of kind 1.
    table : bool
        Whether its conversion is another one than a straight line.
    """

    kind: int
    type: int
    byte: int
    bit: int
    bits: int
    offset: float = 0.0
    factor: float = 1.0
    signal: int = 0
    table: bool = False

    @property
    def size(self) -> int:
        """Return how many bytes of the record it touches."""
        return (self.bit + self.bits + 7) // 8


@dataclass(slots=True, kw_only=True)
class ChannelGroup:
    """Records of one kind.

    Attributes
    ----------
    event : str
        One of the bus events; empty for other records.
    record_id : int
    records : int
        How many there are; 0 where the recorder did not note it.
    size : int
        Bytes of a record without its identifier.
    variable : bool
        Whether each record has its own length (the bytes of another group's channel).
    fields : mapping of name to Field
        Names without the event's name before them.
    time : Field or None
    bus : str
    address : int
        Of its block.
    """

    event: str
    record_id: int
    records: int
    size: int
    variable: bool
    address: int
    fields: dict[str, Field] = field(default_factory=dict)
    time: Field | None = None
    bus: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DataGroup:
    """Groups whose records share one stream."""

    id_size: int
    data: int
    groups: list[ChannelGroup]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordLayout:
    """All data groups of a file, and how it was left."""

    data_groups: list[DataGroup]
    open_end: bool


def read_layout(blocks: Blocks, head: bytes, report: ReadReport) -> RecordLayout:
    """Read how a file is laid out; what is damaged is reported and left out.

    Parameters
    ----------
    blocks : Blocks
    head : bytes
        The first 64 bytes of the file.
    report : ReadReport
        Gets the start of the measurement.

    Raises
    ------
    DamageError
        If the file's header cannot be read.
    """
    header = blocks.setting(HEADER_AT, b"##HD")
    _take_start(header, report)
    unfinished = int.from_bytes(head[_UNFINISHED], "little")
    unfinished = unfinished if head.startswith(b"UnFin") else 0
    found: list[DataGroup] = []
    try:
        first = header.links[0] if header.links else 0
        for _, block in blocks.chain(first, b"##DG", _MOST_GROUPS):
            group = _data_group(blocks, block, report, no_counts=bool(unfinished))
            if group is not None:
                found.append(group)
    except DamageError as error:
        report.add_problem("list of data groups", f"{error}; groups behind it are lost", skipped=1)
    return RecordLayout(data_groups=found, open_end=bool(unfinished))


def _take_start(header: Block, report: ReadReport) -> None:
    if len(header.data) < _START.size:
        return
    start_ns, _, _, flags = _START.unpack_from(header.data)
    since = timedelta(microseconds=start_ns // 1000)
    try:
        start = datetime(1970, 1, 1) + since  # without a zone: the file does not name it
        if start.year < EARLIEST_YEAR:
            return
        if flags & _LOCAL_TIME:
            report.start_local = start
        else:
            report.start_utc = datetime(1970, 1, 1, tzinfo=UTC) + since
    except OverflowError:
        report.add_problem("header", "the start of the measurement is no date")


def _data_group(
    blocks: Blocks, block: Block, report: ReadReport, *, no_counts: bool
) -> DataGroup | None:
    if len(block.links) < 3 or not block.data:  # noqa: PLR2004 - next, groups, data
        return None
    id_size, groups = block.data[0], []
    if id_size not in {0, 1, 2, 4, 8}:
        report.add_problem("data group", f"has record numbers of {id_size} bytes", skipped=1)
        return None
    try:
        for address, one in blocks.chain(block.links[1], b"##CG", _MOST_GROUPS):
            groups.append(_group(blocks, address, one, no_counts=no_counts))
    except DamageError as error:
        report.add_problem("data group", f"{error}; its records are lost", skipped=1)
        return None
    if id_size == 0 and len(groups) != 1:
        return None
    if not any(group.event for group in groups):
        return None
    return DataGroup(id_size=id_size, data=block.links[2], groups=groups)


def _group(blocks: Blocks, address: int, block: Block, *, no_counts: bool) -> ChannelGroup:
    if len(block.links) < 4 or len(block.data) < _GROUP.size:  # noqa: PLR2004 - ... source
        raise DamageError(f"the group at byte {address} is too short")
    record_id, records, flags, _, size, flag_bytes = _GROUP.unpack_from(block.data)
    if size + flag_bytes > _LARGEST_RECORD and not flags & _VARIABLE:
        raise DamageError(f"the group at byte {address} has records of {size} bytes")
    group = ChannelGroup(
        event="",
        record_id=record_id,
        records=0 if no_counts else records,
        size=size + flag_bytes,
        variable=bool(flags & _VARIABLE),
        address=address,
    )
    if group.variable:
        return group
    names: dict[str, Field] = {}
    _read_channels(blocks, block.links[1], group, names, _DEEPEST)
    group.event = next((event for event in EVENTS if f"{event}.ID" in names), "")
    if not group.event and "CAN_ErrorFrame" in names:
        group.event = "CAN_ErrorFrame"  # of some recorders it has a time only
    prefix = f"{group.event}."
    group.fields = {
        name.removeprefix(prefix): one for name, one in names.items() if name.startswith(prefix)
    }
    group.bus = _source_name(blocks, block.links[3])
    return group


def _read_channels(
    blocks: Blocks, address: int, group: ChannelGroup, names: dict[str, Field], depth: int
) -> None:
    """Read the channels of a group, and the parts that they are made of."""
    if not depth or len(names) > _MOST_CHANNELS:
        return
    for _, block in blocks.chain(address, b"##CN", _MOST_CHANNELS):
        if len(block.links) < 6 or len(block.data) < _CHANNEL.size:  # noqa: PLR2004 - ... data
            continue
        kind, sync, data_type, bit, byte, bits = _CHANNEL.unpack_from(block.data)
        offset, factor, table = _formula(blocks, block.links[4])
        found = Field(
            kind=kind,
            type=data_type,
            byte=byte,
            bit=bit,
            bits=bits,
            offset=offset,
            factor=factor,
            signal=block.links[5],
            table=table,
        )
        if found.byte + found.size > group.size:
            continue
        if kind == _MASTER and sync == _TIME:
            group.time = found
        names.setdefault(blocks.text(block.links[2]), found)
        if block.links[1]:
            _read_parts(blocks, block.links[1], group, names, depth)


def _read_parts(
    blocks: Blocks, address: int, group: ChannelGroup, names: dict[str, Field], depth: int
) -> None:
    try:
        _read_channels(blocks, address, group, names, depth - 1)
    except DamageError:
        return  # an array of values, for one, is not made of channels


def _formula(blocks: Blocks, address: int) -> tuple[float, float, bool]:
    """Return offset and factor of a linear conversion, and whether there is another one."""
    if not address:
        return 0.0, 1.0, False
    try:
        data = blocks.setting(address, b"##CC").data
    except DamageError:
        return 0.0, 1.0, True
    if len(data) >= 1 and data[0] == _ALIKE:
        return 0.0, 1.0, False
    if len(data) < _FORMULA.size + 16 or data[0] != _LINEAR:
        return 0.0, 1.0, True
    offset, factor = struct.unpack_from("<dd", data, _FORMULA.size)
    return offset, factor, False


def _source_name(blocks: Blocks, address: int) -> str:
    if not address:
        return ""
    try:
        links = blocks.setting(address, b"##SI").links
    except DamageError:
        return ""
    names = [blocks.text(link) for link in links[:2]]  # name, path
    return next((name[:32] for name in reversed(names) if name), "")
