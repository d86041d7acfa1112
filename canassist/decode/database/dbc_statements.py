"""DBC text cut into statements, and the shape that each kind of statement must have."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?"
_STRING = r'"(?:[^"\\]|\\"|\\(?!"))*"'
_START = re.compile(
    r"\s*(?:(VERSION|BA_DEF_DEF_|BA_DEF_|BA_|VAL_TABLE_|VAL_|BO_TX_BU_|BO_|SG_MUL_VAL_|SG_|CM_|"
    r"SIG_VALTYPE_|EV_|ENVVAR_DATA_|SIG_GROUP_|BA_DEF_REL_|BA_DEF_DEF_REL_|BA_REL_|CAT_DEF_|"
    r"CAT_|SGTYPE_|SIG_TYPE_REF_|BA_SGTYPE_|BA_DEF_SGTYPE_|SGTYPE_VAL_)\s*[\s\"]\s*\S|"
    r"(BU_|NS_|BS_)\s*:)"
)
_BLANKS = re.compile(r"(\s)\s+")
_QUOTE = re.compile(r'(?<!\\)"')

_ID = r"(\d{1,10})"
_PAIR = rf"\s+-?\d{{1,19}}\s+{_STRING}"
_RANGE = r"\d{1,10}\s*-\s*\d{1,10}"

MESSAGE = re.compile(rf"\s*BO_\s+{_ID}\s+(\w+)\s*:\s*{_ID}\s*(\w*)", re.ASCII)
SIGNAL = re.compile(
    rf"\s*SG_\s+(\w+)\s*(M|m\d{{1,10}}M?)?\s*:\s*{_ID}\s*\|\s*{_ID}\s*@\s*([01])\s*([-+])"
    rf"\s*\(\s*({_NUMBER})\s*,\s*({_NUMBER})\s*\)\s*\[\s*([^|\]]*)\|([^\]]*)\]\s*({_STRING})?(.*)",
    re.ASCII | re.DOTALL,
)
COMMENT = re.compile(rf"CM_\s+(?:BO_\s+{_ID}|SG_\s+{_ID}\s+(\w+))\s+{_STRING}\s*;\s*", re.ASCII)
LABELS = re.compile(rf"VAL_\s+{_ID}\s+(\w+)((?:{_PAIR})+|\s+\w+|)\s*;\s*", re.ASCII)
TABLE = re.compile(rf"VAL_TABLE_\s+(\w+)((?:{_PAIR})*)\s*;\s*", re.ASCII)
FLOAT = re.compile(rf"SIG_VALTYPE_\s+{_ID}\s+(\w+)\s*:?\s*([0-3])\s*;\s*", re.ASCII)
SELECTOR = re.compile(
    rf"SG_MUL_VAL_\s+{_ID}\s+(\w+)\s+(\w+)\s+({_RANGE}(?:\s*,\s*{_RANGE})*)\s*,?\s*;",
    re.ASCII,
)
SENDERS = re.compile(rf"BO_TX_BU_\s+{_ID}\s*:\s*(\w+(?:\s*,\s*\w+)*)\s*,?\s*;\s*", re.ASCII)
DEFINITION = re.compile(
    rf'BA_DEF_\s+(?:BO_|SG_|BU_|EV_)?\s*"(\w+)"\s+'
    rf"(?:(?:INT|HEX|FLOAT)\s+{_NUMBER}\s+{_NUMBER}|STRING|ENUM\s+{_STRING}(?:\s*,\s*{_STRING})*)"
    r"\s*;\s*",
    re.ASCII,
)
DEFAULT = re.compile(rf'BA_DEF_DEF_\s+"(\w+)"\s+(?:{_NUMBER}|{_STRING})\s*;\s*', re.ASCII)
ATTRIBUTE = re.compile(
    rf'BA_\s+"(\w+)"\s*(?:BO_\s+{_ID}\s|SG_\s+{_ID}\s+(\w+)\s|BU_\s+\w+\s)?\s*'
    rf"(?:{_NUMBER}|{_STRING})\s*;\s*",
    re.ASCII,
)
ATTRIBUTE_NAME = re.compile(r'\S+\s*(?:BO_|SG_|BU_|EV_)?\s*"(\w+)"', re.ASCII)
PLAIN_NUMBER = re.compile(rf"\s*{_NUMBER}\s*\Z")


class Statement(NamedTuple):
    """One statement: the line on which it starts (from 1), its keyword and its text."""

    line: int
    keyword: str
    text: str


def split_statements(lines: list[str], complain: Callable[[int, str], None]) -> Iterator[Statement]:
    """Cut the text at line starts that open a statement; strings may span lines.

    Parameters
    ----------
    lines : list of str
        The file's lines.
    complain : callable
        Told the number and the trouble of each line that belongs to no statement.
    """
    start, keyword, held, in_string = 0, "", [""], False
    for number, line in enumerate(lines, start=1):
        opening = _START.match(line)
        if opening and (not in_string or _sure_start(line)):
            if keyword:
                yield _statement(start, keyword, held)
            start, keyword, held, in_string = number, opening[1] or opening[2], [], False
        elif not keyword or (_finished(keyword, held[-1]) and not in_string):
            if line.strip() and not line.lstrip().startswith("//"):
                complain(number, "cannot be understood and was left out")
            continue
        held.append(line)
        in_string ^= len(_QUOTE.findall(line)) % 2 == 1
    if keyword:
        yield _statement(start, keyword, held)


def _statement(line: int, keyword: str, held: list[str]) -> Statement:
    """Join a statement's lines; runs of blanks shrink to one, for they slow the patterns down."""
    return Statement(line, keyword, _BLANKS.sub(r"\1", "\n".join(held)))


def _sure_start(line: str) -> bool:
    """Tell whether a line that lies inside an open string is a statement all the same.

    A string whose closing quote is missing would swallow the rest of the file. Message and
    signal lines have a shape that no prose has.
    """
    return bool(MESSAGE.match(line) or SIGNAL.match(line))


def _finished(keyword: str, last_line: str) -> bool:
    if keyword in ("BU_", "NS_"):
        return False
    return keyword in ("BO_", "SG_", "VERSION", "BS_") or last_line.rstrip().endswith(";")
