"""Signal and message layouts as frozen values; no library's object leaves `database`."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Final

from canassist.model import EXTENDED_KEY, IdMask, Problem

if TYPE_CHECKING:
    from collections.abc import Mapping

J1939_LAST_ADDRESSED_FORMAT: Final = 0xEF
"""Highest PDU format whose next byte is a destination (SAE J1939-21, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalLayout:
    """Where a signal lies in its message and how its bits become a value.

    Attributes
    ----------
    start : int
        Start bit as DBC files count it: the lowest bit of a little-endian signal, the
        highest of a big-endian one; bit 0 is the lowest bit of byte 0.
    length : int
        Bits, 1 to 64.
    scale, offset : int or float
        ``value = raw * scale + offset``; whole numbers stay int.
    minimum, maximum : float or None
        Range in values; None where the database gives none.
    labels : mapping of int to str
        Value table: raw number to text.
    selector : str
        Name of the multiplexer signal that decides whether it is present, or empty.
    selector_values : tuple of int
        Raw values of the selector with which it is present.
    spn : int or None
        J1939 suspect parameter number.
    """

    message: str
    name: str
    start: int
    length: int
    big_endian: bool = False
    signed: bool = False
    is_float: bool = False
    scale: float = 1
    offset: float = 0
    minimum: float | None = None
    maximum: float | None = None
    unit: str = ""
    comment: str = ""
    labels: Mapping[int, str] = field(default_factory=dict)
    selector: str = ""
    selector_values: tuple[int, ...] = ()
    spn: int | None = None
    receivers: tuple[str, ...] = ()

    @property
    def full_name(self) -> str:
        """``"Message.Signal"``, as profiles and results write it."""
        return f"{self.message}.{self.name}"

    @property
    def declared_range(self) -> tuple[float, float] | None:
        """Lowest and highest value by the database, or None where it gives none.

        An editor's filler, all raw numbers of an unsigned field though the value is signed or
        scaled, is none.
        """
        low, high = self.minimum, self.maximum
        if low is None or high is None or not low < high:
            return None
        is_raw = low == 0 and high >= (1 << self.length) - 1 and not self.is_float
        if is_raw and (self.signed or self.scale != 1 or self.offset != 0):
            return None
        return float(low), float(high)

    @property
    def never_negative(self) -> bool:
        """Whether its bits hold no value below zero."""
        return not (self.signed or self.is_float) and self.scale > 0 and self.offset >= 0

    @property
    def bytes_needed(self) -> int:
        """Frame length in bytes below which the signal is not in the frame."""
        if not self.big_endian:
            return (self.start + self.length - 1) // 8 + 1
        first = self.start // 8 * 8 + 7 - self.start % 8  # counted from the frame's first bit
        return (first + self.length - 1) // 8 + 1


@dataclass(frozen=True, kw_only=True)
class MessageLayout:
    """One message of a database.

    Attributes
    ----------
    key : int
        Identifier, with `EXTENDED_KEY` added for a 29-bit one.
    length : int
        Bytes, as the database has it.
    sender : str
        Node that sends it; empty where unknown.
    period_s : float or None
        Cycle time, where the database gives one.
    bus : str
        Bus that the user asked this database for; empty means every bus.
    j1939 : bool
        Whether it is matched by parameter group, from any source address.
    database : str
        Name of the file.
    """

    name: str
    key: int
    length: int
    signals: tuple[SignalLayout, ...]
    sender: str = ""
    comment: str = ""
    period_s: float | None = None
    bus: str = ""
    j1939: bool = False
    database: str = ""

    @cached_property
    def by_name(self) -> Mapping[str, SignalLayout]:
        """Signals by name."""
        return {signal.name: signal for signal in self.signals}

    @property
    def id_mask(self) -> IdMask | None:
        """The family of identifiers of a J1939 message; None for any other."""
        return group_mask(self.key) if self.j1939 else None

    def fits(self, key: int, bus_name: str) -> bool:
        """Tell whether frames of this identifier on this bus are this message."""
        if self.bus and self.bus != bus_name:
            return False
        mask = self.id_mask
        if mask is None:
            return key == self.key
        return bool(key & EXTENDED_KEY) and (key & mask.mask) == mask.match


def group_mask(key: int) -> IdMask:
    """Return the family of 29-bit identifiers that carry the same J1939 parameter group.

    Priority, source address and (where the format byte says so) destination do not
    count. SAE J1939-21, as in docs.kernel.org/networking/j1939.html.
    """
    addressed = (key >> 16 & 0xFF) <= J1939_LAST_ADDRESSED_FORMAT
    mask = 0x03FF_0000 if addressed else 0x03FF_FF00
    return IdMask(mask, key & mask)


@dataclass(frozen=True, kw_only=True)
class Databases:
    """Every usable message of the databases given, and what was left out of them.

    Attributes
    ----------
    messages : tuple of MessageLayout
        In file order. Where two files define one identifier on the same bus in
        different ways, the first file's message is the one that is used.
    names : tuple of str
        File names.
    problems : tuple of Problem
        What could not be used, and where.
    """

    messages: tuple[MessageLayout, ...] = ()
    names: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()

    @cached_property
    def by_name(self) -> Mapping[str, tuple[MessageLayout, ...]]:
        """Messages by name; two files may hold the same name."""
        found: dict[str, tuple[MessageLayout, ...]] = {}
        for message in self.messages:
            found[message.name] = (*found.get(message.name, ()), message)
        return found

    @cached_property
    def _exact(self) -> Mapping[int, tuple[MessageLayout, ...]]:
        found: dict[int, tuple[MessageLayout, ...]] = {}
        for message in self.messages:
            found[message.key] = (*found.get(message.key, ()), message)
        return found

    @cached_property
    def _groups(self) -> Mapping[IdMask, tuple[MessageLayout, ...]]:
        found: dict[IdMask, tuple[MessageLayout, ...]] = {}
        for message in self.messages:
            mask = message.id_mask
            if mask is not None:
                found[mask] = (*found.get(mask, ()), message)
        return found

    def message_for(self, key: int, bus_name: str) -> MessageLayout | None:
        """Return the message that these frames are, the exact identifier before the group."""
        near = self._exact.get(key, ())
        if key & EXTENDED_KEY:
            near += self._groups.get(group_mask(key), ())
        return next((message for message in near if message.fits(key, bus_name)), None)

    def find(self, full_name: str) -> tuple[tuple[MessageLayout, SignalLayout], ...]:
        """Return every signal of this ``"Message.Signal"`` name; empty where there is none."""
        message_name, _, signal_name = full_name.rpartition(".")
        return tuple(
            (message, message.by_name[signal_name])
            for message in self.by_name.get(message_name, ())
            if signal_name in message.by_name
        )

    def near_names(self, full_name: str, count: int = 3) -> tuple[str, ...]:
        """Return names that are spelled nearly like this one, the nearest first."""
        names = {
            signal.full_name.casefold(): signal.full_name
            for message in self.messages
            for signal in message.signals
        }
        near = difflib.get_close_matches(full_name.casefold(), names, n=count, cutoff=0.5)
        return tuple(names[name] for name in near)
