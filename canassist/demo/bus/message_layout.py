"""Messages and signals of an invented vehicle, and the database text that describes them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from canassist.model import CHANNEL_UNITS
from canassist.units import SAME, Conversion, conversion

NOTHING: Mapping[int, str] = MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalSpec:
    """One signal of a message.

    Attributes
    ----------
    name : str
        As in the database.
    start, length : int
        Start bit as databases write it (for ``big_endian`` the most significant one).
    carries : str
        Channel that it carries, or a name of `traffic.FILLERS`.
    no_value : int or None
        Raw value that means "no value".
    page : int or None
        Selector value under which it is sent; None in every frame.
    """

    name: str
    start: int
    length: int
    big_endian: bool = False
    signed: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    carries: str = ""
    no_value: int | None = None
    table: Mapping[int, str] = field(default_factory=lambda: NOTHING)
    page: int | None = None
    selector: bool = False

    @property
    def to_channel(self) -> Conversion:
        """How a value of the database turns into the channel's unit."""
        wanted = CHANNEL_UNITS.get(self.carries, "-")
        return conversion(self.unit, wanted) or SAME

    @property
    def words(self) -> dict[int, str]:
        """The value table, the "no value" code included."""
        words = dict(self.table)
        if self.no_value is not None:
            words[self.no_value] = "NoValue"
        return words

    @property
    def raw_range(self) -> tuple[int, int]:
        """Smallest and largest raw value, the "no value" code left out where it is at an end."""
        low = -(1 << (self.length - 1)) if self.signed else 0
        high = low + (1 << self.length) - 1
        if self.no_value == low:
            low += 1
        if self.no_value == high:
            high -= 1
        return low, high


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageSpec:
    """One message: identifier, sender, period and signals.

    ``counter`` and ``checksum`` name signals; the checksum fills one whole byte.
    """

    name: str
    can_id: int
    length: int
    sender: str
    period_s: float
    signals: tuple[SignalSpec, ...]
    extended: bool = False
    counter: str = ""
    checksum: str = ""
    bus: int = 0
    note: str = ""

    @property
    def key(self) -> int:
        """Identifier as databases write it: bit 31 set for 29-bit ones."""
        return self.can_id | (0x8000_0000 if self.extended else 0)

    def signal(self, name: str) -> SignalSpec:
        """Return a signal by name.

        Raises
        ------
        KeyError
            If there is none.
        """
        for spec in self.signals:
            if spec.name == name:
                return spec
        raise KeyError(name)


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageLayouts:
    """All messages of one invented vehicle."""

    name: str
    messages: tuple[MessageSpec, ...]
    module_sender: str
    """Node name of the steering module."""
    states: tuple[str, ...]
    """Texts of the module's status, in the order of `sensors.State`; the raw value is the place."""
    bit_rate: int = 500_000

    def carrier(self, channel: str) -> tuple[MessageSpec, SignalSpec] | None:
        """Return message and signal that carry a channel, or None."""
        for message in self.messages:
            for spec in message.signals:
                if spec.carries == channel:
                    return message, spec
        return None

    @property
    def buses(self) -> int:
        """How many buses the messages are on."""
        return 1 + max(message.bus for message in self.messages)


def dbc_text(layout: MessageLayouts, remark: str) -> str:
    """Return the layout as a DBC file's text.

    Parameters
    ----------
    layout : MessageLayouts
        Messages and signals.
    remark : str
        Comment on the network as a whole.
    """
    nodes = sorted({message.sender for message in layout.messages})
    parts = ['VERSION ""', "", "NS_ :", "", "BS_:", "", f"BU_: {' '.join(nodes)} Recorder", ""]
    for message in layout.messages:
        parts.append(f"BO_ {message.key} {message.name}: {message.length} {message.sender}")
        parts += [_signal_line(spec) for spec in message.signals]
        parts.append("")
    parts.append(f'CM_ "{remark}";')
    parts += [f'CM_ BO_ {m.key} "{m.note}";' for m in layout.messages if m.note]
    parts += [
        'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;',
        'BA_DEF_DEF_ "GenMsgCycleTime" 0;',
    ]
    parts += [
        f'BA_ "GenMsgCycleTime" BO_ {m.key} {round(m.period_s * 1000)};' for m in layout.messages
    ]
    for message in layout.messages:
        parts += [_table_line(message, spec) for spec in message.signals if spec.words]
    return "\n".join(parts) + "\n"


def _signal_line(spec: SignalSpec) -> str:
    page = " M" if spec.selector else "" if spec.page is None else f" m{spec.page}"
    order, sign = 0 if spec.big_endian else 1, "-" if spec.signed else "+"
    low, high = (raw * spec.scale + spec.offset for raw in spec.raw_range)
    return (
        f" SG_ {spec.name}{page} : {spec.start}|{spec.length}@{order}{sign} "
        f'({spec.scale:g},{spec.offset:g}) [{low:g}|{high:g}] "{spec.unit}" Recorder'
    )


def _table_line(message: MessageSpec, spec: SignalSpec) -> str:
    words = " ".join(f'{raw} "{word}"' for raw, word in sorted(spec.words.items()))
    return f"VAL_ {message.key} {spec.name} {words} ;"
