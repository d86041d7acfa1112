"""DBC text made fit for the parser: what cannot be read is left out, line by line, and named.

A database with one bad comment must not cost the user the report. The text is cut into
statements; those that decoding needs are checked and written out in their plainest form
at their own line, the rest is dropped. So the parser meets little that it can refuse, and
whatever it still refuses is named with the line of the user's file.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.decode.database.dbc_statements import (
    ATTRIBUTE,
    ATTRIBUTE_NAME,
    COMMENT,
    DEFAULT,
    DEFINITION,
    FLOAT,
    LABELS,
    MESSAGE,
    PLAIN_NUMBER,
    SELECTOR,
    SENDERS,
    SIGNAL,
    TABLE,
    Statement,
    split_statements,
)
from canassist.model import EXTENDED_KEY

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

MAX_SELECTOR_VALUES: Final = 65_536
"""Multiplexer values of one signal that are listed; more would only fill the memory."""

KEPT_ATTRIBUTES: Final = frozenset(
    {
        "GenMsgCycleTime",
        "ProtocolType",
        "SPN",
        "SystemMessageLongSymbol",
        "SystemNodeLongSymbol",
        "SystemSignalLongSymbol",
        "VFrameFormat",
    }
)

MAX_FRAME_BYTES: Final = 64
MAX_SIGNAL_BITS: Final = 64

_BIG_ID: Final = 0xFFFF_FFFF
_MAX_EXTENDED: Final = 0x1FFF_FFFF
_MAX_STANDARD: Final = 0x7FF


class DbcProblem(NamedTuple):
    """What was left out or repaired, and the line where it stands."""

    line: int
    what: str


@dataclass(slots=True)
class CleanText:
    """A DBC's text without what cannot be read.

    Attributes
    ----------
    text : str
        As many lines as the original; every kept statement on its own line.
    statements : dict
        Line to (message number, text) of every kept statement; no number where it holds
        for the whole file.
    message_lines : dict
        Message number as the file writes it to line.
    signal_lines : dict
        (message number, start bit, length) to line.
    """

    text: str = ""
    dbc_problems: list[DbcProblem] = field(default_factory=list)
    statements: dict[int, tuple[int | None, str]] = field(default_factory=dict)
    message_lines: dict[int, int] = field(default_factory=dict)
    signal_lines: dict[tuple[int, int, int], int] = field(default_factory=dict)


def clean(text: str) -> CleanText:
    """Return the statements that decoding needs, and the problems of unreadable ones."""
    cleaner = _Cleaner()
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for statement in split_statements(lines, cleaner.complain):
        cleaner.take(statement)
    return cleaner.finish(len(lines))


def by_message(clean_text: CleanText) -> Iterator[tuple[int, str]]:
    """Yield each message's number and a text that holds it alone, for the worst files."""
    shared = [text for number, text in clean_text.statements.values() if number is None]
    own: dict[int, list[str]] = {number: [] for number in clean_text.message_lines}
    for number, text in clean_text.statements.values():
        if number in own:
            own[number].append(text)
    for number, texts in own.items():
        if texts:
            yield number, "\n".join([*shared, *texts])


_Kept = tuple[int | None, str]
"""Number of the message that a statement belongs to, and its text."""


class _Cleaner:
    """Checks statements one by one and writes the good ones out."""

    def __init__(self) -> None:
        self.out: dict[int, _Kept] = {}
        self.result = CleanText()
        self.signals: dict[tuple[int, str], int] = {}  # -> line
        self.tables: dict[str, str] = {}
        self.later: list[Statement] = []
        self.defined: set[str] = set()
        self.message: tuple[int, str] | None = None
        self.handlers: dict[str, Callable[[Statement], _Kept | None]] = {
            "BO_": self.take_message,
            "SG_": self.take_signal,
        }
        self.references: dict[str, Callable[[Statement], _Kept | None]] = {
            "CM_": self.take_comment,
            "VAL_": self.take_labels,
            "SIG_VALTYPE_": self.take_float,
            "SG_MUL_VAL_": self.take_selector,
            "BO_TX_BU_": self.take_senders,
            "BA_": self.take_attribute,
        }

    def complain(self, line: int, what: str) -> None:
        self.result.dbc_problems.append(DbcProblem(line, what))

    def take(self, statement: Statement) -> None:
        """Handle what defines at once, and keep what refers to it for the end."""
        keyword = statement.keyword
        if keyword in self.handlers:
            self.keep(statement.line, self.handlers[keyword](statement))
        elif keyword in self.references:
            self.later.append(statement)
        elif keyword == "VAL_TABLE_":
            table = TABLE.fullmatch(statement.text.strip())
            if table:
                self.tables[table[1]] = table[2]
        elif keyword in ("BA_DEF_", "BA_DEF_DEF_"):
            self.keep(statement.line, self.take_definition(statement))

    def keep(self, line: int, kept: _Kept | None) -> None:
        if kept is not None:
            self.out[line] = kept

    def finish(self, line_count: int) -> CleanText:
        for statement in self.later:
            self.keep(statement.line, self.references[statement.keyword](statement))
        pieces, at = [], 1
        for line, (_, text) in sorted(self.out.items()):
            pieces.append("\n" * (line - at) + text)
            at = line + text.count("\n")
        pieces.append("\n" * (line_count + 1 - at))
        self.result.text = "".join(pieces)
        self.result.statements = self.out
        self.result.dbc_problems.sort()
        return self.result

    # What defines: messages, signals, attributes.

    def take_message(self, statement: Statement) -> _Kept | None:
        self.message = None
        found = MESSAGE.match(statement.text)
        if not found:
            self.complain(statement.line, "message line cannot be read; message left out")
            return None
        number, name = int(found[1]), found[2]
        if number in self.result.message_lines:
            self.complain(
                statement.line,
                f"message {name}: identifier {number} is already defined in line "
                f"{self.result.message_lines[number]}; this message left out",
            )
            return None
        if name == "VECTOR__INDEPENDENT_SIG_MSG" or not self._is_id(number, name, statement.line):
            return None
        if int(found[3]) > MAX_FRAME_BYTES:
            what = f"message {name}: {found[3]} bytes do not fit into a frame; left out"
            self.complain(statement.line, what)
            return None
        self.message = (number, name)
        self.result.message_lines[number] = statement.line
        return number, f"BO_ {number} {name}: {found[3]} {found[4] or 'Vector__XXX'}"

    def _is_id(self, number: int, name: str, line: int) -> bool:
        wrong = ""
        if number > _BIG_ID or (number & EXTENDED_KEY and number - EXTENDED_KEY > _MAX_EXTENDED):
            wrong = "is no CAN identifier"
        elif not number & EXTENDED_KEY and number > _MAX_STANDARD:
            wrong = "is too large for 11 bits"
        if wrong:
            self.complain(line, f"message {name}: identifier {number} {wrong}; left out")
        return not wrong

    def take_signal(self, statement: Statement) -> _Kept | None:
        if self.message is None:
            return None
        number, name = self.message
        found = SIGNAL.match(statement.text)
        if not found:
            self.complain(
                statement.line, f"message {name}: signal line cannot be read; signal left out"
            )
            return None
        signal = found[1]
        if (number, signal) in self.signals:
            self.complain(
                statement.line,
                f"message {name}: signal {signal} is already defined in line "
                f"{self.signals[number, signal]}; this one left out",
            )
            return None
        wrong = _impossible_place(int(found[3]), int(found[4]))
        if wrong:
            self.complain(statement.line, f"message {name}: signal {signal} {wrong}; left out")
            return None
        self.signals[number, signal] = statement.line
        place = (number, int(found[3]), int(found[4]))
        self.result.signal_lines.setdefault(place, statement.line)
        return number, _signal_line(found)

    def take_definition(self, statement: Statement) -> _Kept | None:
        name = ATTRIBUTE_NAME.match(statement.text.strip())
        if not name or name[1] not in KEPT_ATTRIBUTES:
            return None
        pattern = DEFINITION if statement.keyword == "BA_DEF_" else DEFAULT
        if not pattern.fullmatch(statement.text.strip()):
            self.complain(statement.line, f"attribute {name[1]} cannot be read; left out")
            return None
        self.defined.add(name[1])
        return None, statement.text.strip()

    # What refers to a message or signal; whatever that one was left out is left out too.

    def take_comment(self, statement: Statement) -> _Kept | None:
        text = statement.text.strip()
        if re.match(r'CM_\s+(?:"|BU_|EV_)', text):
            return None
        found = COMMENT.fullmatch(text)
        if not found:
            self.complain(statement.line, "comment cannot be read; left out")
            return None
        if found[1]:
            number = int(found[1])
            return (number, text) if number in self.result.message_lines else None
        return (int(found[2]), text) if self._known(found[2], found[3]) else None

    def take_labels(self, statement: Statement) -> _Kept | None:
        text = statement.text.strip()
        found = LABELS.fullmatch(text)
        if not found:
            if not re.match(r"VAL_\s+[A-Za-z_]", text):  # of an environment variable
                self.complain(statement.line, "value table cannot be read; left out")
            return None
        pairs = found[3]
        if pairs.strip() and '"' not in pairs:
            pairs = self.tables.get(pairs.strip(), "")
        if not pairs.strip() or not self._known(found[1], found[2]):
            return None
        return int(found[1]), f"VAL_ {found[1]} {found[2]}{pairs} ;"

    def take_float(self, statement: Statement) -> _Kept | None:
        found = FLOAT.fullmatch(statement.text.strip())
        if not found:
            self.complain(statement.line, "float mark of a signal cannot be read; left out")
            return None
        if not self._known(found[1], found[2]):
            return None
        return int(found[1]), f"SIG_VALTYPE_ {found[1]} {found[2]} : {found[3]};"

    def take_selector(self, statement: Statement) -> _Kept | None:
        found = SELECTOR.fullmatch(statement.text.strip())
        pairs = re.findall(r"(\d+)\s*-\s*(\d+)", found[4]) if found else []
        ranges = [(int(low), int(high)) for low, high in pairs]
        if not found or any(high < low for low, high in ranges):
            self.complain(statement.line, "multiplexer values cannot be read; left out")
            return None
        if not self._known(found[1], found[2]) or not self._known(found[1], found[3]):
            return None
        if sum(high - low + 1 for low, high in ranges) > MAX_SELECTOR_VALUES:
            line = self.signals[int(found[1]), found[2]]
            self.out.pop(line, None)
            self.complain(
                statement.line,
                f"signal {found[2]}: more than {MAX_SELECTOR_VALUES} multiplexer values; left out",
            )
            return None
        listed = ", ".join(f"{low}-{high}" for low, high in ranges)
        return int(found[1]), f"SG_MUL_VAL_ {found[1]} {found[2]} {found[3]} {listed};"

    def take_senders(self, statement: Statement) -> _Kept | None:
        found = SENDERS.fullmatch(statement.text.strip())
        if not found or int(found[1]) not in self.result.message_lines:
            return None
        return int(found[1]), f"BO_TX_BU_ {found[1]} : {found[2]};"

    def take_attribute(self, statement: Statement) -> _Kept | None:
        text = statement.text.strip()
        name = ATTRIBUTE_NAME.match(text)
        if not name or name[1] not in self.defined:
            return None
        found = ATTRIBUTE.fullmatch(text)
        if not found:
            self.complain(statement.line, f"attribute {name[1]} cannot be read; left out")
            return None
        if found[2] and int(found[2]) not in self.result.message_lines:
            return None
        if found[3] and not self._known(found[3], found[4]):
            return None
        owner = found[2] or found[3]
        return int(owner) if owner else None, text

    def _known(self, number: str, signal: str) -> bool:
        return (int(number), signal) in self.signals


def _impossible_place(start: int, length: int) -> str:
    """Say what no signal can have; the parser would take memory for every bit of it."""
    if not 1 <= length <= MAX_SIGNAL_BITS:
        return f"has {length} bits, not 1 to {MAX_SIGNAL_BITS}"
    return f"begins at bit {start}, beyond any frame" if start >= 8 * MAX_FRAME_BYTES else ""


def _signal_line(found: re.Match[str]) -> str:
    name, mux, start, length, order, sign, scale, offset, low, high, unit, rest = found.groups()
    receivers = re.findall(r"\w+", rest.partition("//")[0], re.ASCII) or ["Vector__XXX"]
    limits = [part.strip() if PLAIN_NUMBER.match(part) else "" for part in (low, high)]
    if not all(limits):
        limits = ["0", "0"]  # no usable range: the format's way of saying "none"
    scale, offset, low, high = (_with_digit(part) for part in (scale, offset, *limits))
    return (
        f" SG_ {name} {mux or ''} : {start}|{length}@{order}{sign} ({scale},{offset}) "
        f"[{low}|{high}] {unit or _EMPTY} {','.join(receivers)}"
    )


_EMPTY: Final = '""'


def _with_digit(number: str) -> str:
    """Write ``.5`` as ``0.5``, which the parser asks for."""
    return re.sub(r"^([-+]?)\.", r"\g<1>0.", number)
