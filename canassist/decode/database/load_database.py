"""Signal databases: files in, checked and frozen layouts out."""

from __future__ import annotations

import codecs
import logging
import re
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canassist.decode.database import dbc_text
from canassist.decode.database.database_checks import check_messages
from canassist.decode.database.layouts import Databases, MessageLayout, SignalLayout
from canassist.errors import DatabaseError
from canassist.model import EXTENDED_KEY, Problem
from canassist.quick_import import quick_import

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from cantools.database.can import Database, Message, Signal

    from canassist.decode.database.dbc_text import CleanText

MAX_BYTES: Final = 256 << 20
"""Larger than any database seen (tens of MB); a log given by mistake is often larger."""

_KEPT: Final = 8
"""Files whose meaning is kept at hand: a vehicle has a few databases, a fleet the same ones."""

MAX_SHOWN: Final = 25
"""Problems of one file that are listed; the rest is counted."""

MAX_QUOTED: Final = 160
"""Letters of the parser's complaint that are passed on; it quotes the file."""

_PLACES: Final = re.compile(
    r"""\b(?:length|offset|DLC|Len)\s*=\s*["']?\s*(\d{7,})  # KCD and SYM
    | <(?:FRAME-|BIT-)?(?:LENGTH|START-POSITION)>\s*(\d{7,})  # ARXML
    | \b(?:unsigned|signed)\s+(?:\d+,\s*)?(\d{7,})  # SYM: bit and length""",
    re.VERBOSE,
)
"""Sizes and places of millions of bits: no frame has them, and the parser would take memory for
every one."""

_FORMATS: Final = {".dbc": "dbc", ".kcd": "kcd", ".sym": "sym", ".arxml": "arxml"}
_FIX: Final = "Give a DBC, KCD, SYM or ARXML database of this vehicle."


def load_databases(paths: Iterable[Path]) -> Databases:
    """Read signal databases.

    Parameters
    ----------
    paths : iterable of Path
        DBC, KCD, SYM or ARXML files. ``BUS=FILE`` (``can1=chassis.dbc``) keeps a file's
        messages to the bus of that name.

    Returns
    -------
    Databases
        Every usable message; what was left out is in its problems, with its line.

    Raises
    ------
    DatabaseError
        If a file is missing, unreadable or holds no usable message.
    """
    messages: list[MessageLayout] = []
    problems: list[Problem] = []
    names = []
    for given in paths:
        bus, path = split_bus(given)
        found, dbc_problems = _understand(_read(path), Path(path.name), bus)
        names.append(path.name)
        problems += dbc_problems[:MAX_SHOWN]
        if len(dbc_problems) > MAX_SHOWN:
            left = len(dbc_problems) - MAX_SHOWN
            problems.append(Problem(path.name, f"{left} more of such lines"))
        problems += _clashes(messages, found, path.name)
        messages += found
    return Databases(messages=tuple(messages), names=tuple(names), problems=tuple(problems))


def split_bus(given: Path) -> tuple[str, Path]:
    """Return bus and file of ``BUS=FILE``; bus is empty where there is none."""
    bus, sign, name = str(given).partition("=")
    if sign and bus and name and not given.exists():
        return bus, Path(name)
    return "", given


@lru_cache(maxsize=_KEPT)
def _understand(
    data: bytes, path: Path, bus: str
) -> tuple[tuple[MessageLayout, ...], tuple[Problem, ...]]:
    """Return what a file's content means; kept, for one database serves many logs.

    `path` is a name for messages and an ending; nothing is read from there.
    """
    text = _text(data)
    kind = _kind(text, path)
    if kind == "dbc":
        clean = dbc_text.clean(text)
        if not clean.message_lines:
            raise _nothing_usable(path, clean.dbc_problems)
        database, refused = _parse_dbc(clean, path)
    else:
        clean, refused = dbc_text.CleanText(), []
        database = _parse_other(text, kind, path)
    frozen = list(_freeze(database, path.name, bus))
    messages, findings = check_messages(frozen, clean)
    dbc_problems = sorted([*clean.dbc_problems, *refused, *findings])
    if not messages:
        raise _nothing_usable(path, dbc_problems)
    return tuple(messages), tuple(
        Problem(f"{path.name}, line {line}" if line else path.name, what)
        for line, what in dbc_problems
    )


def _nothing_usable(path: Path, dbc_problems: Sequence[dbc_text.DbcProblem]) -> DatabaseError:
    problem = f"{path.name}: no usable message is defined in it."
    for line, what in sorted(dbc_problems)[:1]:
        problem += f" First trouble, line {line}: {what}."
    return DatabaseError(problem, _FIX)


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise DatabaseError(f"{path.name}: is larger than any signal database.", _FIX)
        return path.read_bytes()
    except OSError as error:
        problem = f"{path.name}: cannot be read ({error.strerror})."
        raise DatabaseError(problem, "Check its name and that it is open to you.") from error


def _text(data: bytes) -> str:
    """Decode as UTF-8 where it is, else as the format's usual Windows code page."""
    for mark, name in ((codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16")):
        if data.startswith(mark):
            return data.decode(name, errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _kind(text: str, path: Path) -> str:
    head = text[:4096]
    if "\0" in head:
        raise DatabaseError(f"{path.name}: is not a text file, so no signal database.", _FIX)
    if "AUTOSAR" in head and "<" in head:
        return "arxml"
    if "NetworkDefinition" in head and "<" in head:
        return "kcd"
    if "FormatVersion=" in head:
        return "sym"
    if "BO_ " in text:
        return "dbc"
    return _FORMATS.get(path.suffix.lower(), "dbc")


def _parse_dbc(clean: CleanText, path: Path) -> tuple[Database, list[dbc_text.DbcProblem]]:
    """Parse the cleaned text; where the parser still refuses, message by message."""
    try:
        return _parse(clean.text, "dbc"), []
    except Exception as error:
        refusal = _first_line(error)
    whole, refused = None, []
    for number, text in dbc_text.by_message(clean):
        try:
            part = _parse(text, "dbc")
        except Exception as error:
            line = clean.message_lines[number]
            refused.append(dbc_text.DbcProblem(line, f"message left out: {_first_line(error)}"))
            continue
        if whole is None:
            whole = part
        else:
            whole.messages.extend(part.messages)
    if whole is None:
        problem = f"{path.name}: cannot be read as a database: {refusal}."
        raise DatabaseError(problem, "Correct the line named, or export the database again.")
    return whole, refused


def _parse_other(text: str, kind: str, path: Path) -> Database:
    vast = _PLACES.search(text)
    if vast:
        problem = f"{path.name}: names bits of a frame that no frame has ({vast[0][:MAX_QUOTED]})."
        raise DatabaseError(problem, "Correct that, or export the database again.")
    try:
        return _parse(text, kind)
    except Exception as error:
        problem = f"{path.name}: cannot be read as {kind.upper()}: {_first_line(error)}."
        raise DatabaseError(problem, "Export the database again, or give it as DBC.") from error


def _parse(text: str, kind: str) -> Database:
    """Parse without the library's own checks; `check_messages` makes them and names lines."""
    database: Database = _library().load_string(text, database_format=kind, strict=False)
    return database


@cache
def _library() -> Any:  # noqa: ANN401 - a module, imported late for the 0.1 s that it takes
    """Import the parser and keep it quiet: what it logs, duplicates, is reported by us."""
    logger = logging.getLogger("cantools")
    logger.addHandler(logging.NullHandler())
    logger.propagate = False
    return quick_import("cantools.database")


def _first_line(error: Exception) -> str:
    inner = getattr(error, "e_dbc", None) or getattr(error, "e_arxml", None)
    inner = inner or getattr(error, "e_kcd", None) or getattr(error, "e_sym", None) or error
    line = (str(inner).strip() or type(inner).__name__).splitlines()[0].rstrip(".")
    return "".join(letter if letter.isprintable() else "?" for letter in line)[:MAX_QUOTED]


def _freeze(database: Database, file_name: str, bus: str) -> Iterator[MessageLayout]:
    all_j1939 = _says_j1939(database)
    for message in database.messages:
        if message.is_container:
            continue
        extended = bool(message.is_extended_frame)
        yield MessageLayout(
            name=message.name,
            key=message.frame_id | (EXTENDED_KEY if extended else 0),
            length=message.length,
            signals=tuple(_freeze_signal(signal, message.name) for signal in message.signals),
            sender=_sender(message),
            comment=message.comment or "",
            period_s=message.cycle_time / 1000.0 if message.cycle_time else None,
            bus=bus,
            j1939=extended and (message.protocol == "j1939" or all_j1939),
            database=file_name,
        )


def _says_j1939(database: Database) -> bool:
    attributes: Mapping[str, Any] = getattr(database.dbc, "attributes", None) or {}  # Any: untyped
    definitions: Mapping[str, Any] = getattr(database.dbc, "attribute_definitions", None) or {}
    if "VFrameFormat" in definitions:
        return False  # says it message by message
    name = "ProtocolType"
    given = attributes[name].value if name in attributes else None
    if given is None and name in definitions:
        given = definitions[name].default_value
    return str(given).upper() == "J1939"


def _sender(message: Message) -> str:
    return next((name for name in message.senders if name != "Vector__XXX"), "")


def _freeze_signal(signal: Signal, message_name: str) -> SignalLayout:
    conversion = signal.conversion
    return SignalLayout(
        message=message_name,
        name=signal.name,
        start=signal.start,
        length=signal.length,
        big_endian=signal.byte_order == "big_endian",
        signed=bool(signal.is_signed),
        is_float=bool(conversion.is_float),
        scale=conversion.scale,
        offset=conversion.offset,
        minimum=_number(signal.minimum),
        maximum=_number(signal.maximum),
        unit=signal.unit or "",
        comment=signal.comment or "",
        labels={int(raw): str(text) for raw, text in (signal.choices or {}).items()},
        selector=signal.multiplexer_signal or "",
        selector_values=tuple(signal.multiplexer_ids or ()),
        spn=signal.spn,
        receivers=tuple(signal.receivers),
    )


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)


def _clashes(
    earlier: Sequence[MessageLayout], later: Sequence[MessageLayout], file_name: str
) -> Iterator[Problem]:
    """Say where a later file defines an identifier that an earlier one has already."""
    known = {(message.key, message.bus): message for message in earlier}
    for message in later:
        first = known.get((message.key, message.bus))
        if first is not None and first.signals != message.signals:
            yield Problem(
                file_name,
                f"message {message.name} has the identifier of {first.name} in {first.database}, "
                "which is used",
            )
