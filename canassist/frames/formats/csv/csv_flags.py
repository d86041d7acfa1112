"""Cells of a CSV log that hold a flag: yes or no, Rx or Tx, the kind of a frame."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from canassist.frames.formats.csv.csv_conventions import as_switch
from canassist.model import FrameFlag

if TYPE_CHECKING:
    from collections.abc import Callable

    from canassist.frames.formats.csv.csv_columns import Columns

_FLAG_OF: Final = {
    "extended": FrameFlag.EXTENDED,
    "remote": FrameFlag.REMOTE,
    "error": FrameFlag.ERROR,
    "fd": FrameFlag.FD,
    "bit_rate_switch": FrameFlag.BIT_RATE_SWITCH,
    "error_state": FrameFlag.ERROR_STATE,
    "sent": FrameFlag.SENT,
}
_SENT_WORDS: Final = {"tx", "t", "sent", "send", "transmit", "transmitted", "out", "1"}
_RECEIVED_WORDS: Final = {"rx", "r", "received", "receive", "in", "0", "", "-"}
_KIND_WORDS: Final = {
    "remote": FrameFlag.REMOTE,
    "rtr": FrameFlag.REMOTE,
    "error": FrameFlag.ERROR,
    "errorframe": FrameFlag.ERROR,
    "ext": FrameFlag.EXTENDED,
    "extended": FrameFlag.EXTENDED,
    "xtd": FrameFlag.EXTENDED,
    "fd": FrameFlag.FD,
    "canfd": FrameFlag.FD,
    "brs": FrameFlag.BIT_RATE_SWITCH,
}


def _direction_flags(text: str) -> int | None:
    word = text.strip().casefold()
    if word in _SENT_WORDS:
        return int(FrameFlag.SENT)
    return 0 if word in _RECEIVED_WORDS else None


def _received_flags(text: str) -> int | None:
    switch = as_switch(text)
    return None if switch is None else int(0 if switch else FrameFlag.SENT)


def _kind_flags(text: str) -> int:
    flags = FrameFlag(0)
    for word in re.split(r"[^a-z]+", text.casefold().replace(" frame", "")):
        flags |= _KIND_WORDS.get(word, FrameFlag(0))
    return int(flags)


def _switch_flags(flag: FrameFlag) -> Callable[[str], int | None]:
    def flags(text: str) -> int | None:
        switch = as_switch(text)
        return None if switch is None else int(flag if switch else 0)

    return flags


def flag_readers(columns: Columns) -> list[tuple[int, Callable[[str], int | None]]]:
    """List the cells that give flags, and how each is read."""
    readers: list[tuple[int, Callable[[str], int | None]]] = []
    for name, at in columns.other.items():
        if name in _FLAG_OF:
            readers.append((at, _switch_flags(_FLAG_OF[name])))
        elif name == "direction":
            readers.append((at, _direction_flags))
        elif name == "received":
            readers.append((at, _received_flags))
        elif name == "kind":
            readers.append((at, _kind_flags))
    return readers
