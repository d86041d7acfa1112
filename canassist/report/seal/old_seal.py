"""Pages sealed by version 0.1: recognised, never believed.

That seal read the page's HTML as one parser does, and browsers read it otherwise: a page could
show a reader something else and still pass. Its data is compared with what the files at hand
give by the rules of today, so that a reader learns what of it holds; the verdict stays.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

from canassist.errors import CanassistError, MissingExtraError, OutputError
from canassist.report.seal.page_parts import page_data, part_of
from canassist.report.seal.seal import RESULT_ID
from canassist.report.seal.statement import PageStatement, StatedFile

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from canassist.model import InputFile

    Json = dict[str, Any]  # Any: a foreign page's JSON
    Remake = Callable[[PageStatement, bytes], bytes]

_MARK: Final = b'<pre id="seal-manifest">{'
_RULE: Final = b"canassist-seal/1"
_ROLES: Final = {"log": "log", "dbc": "database", "profile": "profile"}
_LARGEST: Final = 4_000_000
"""More data than any page of that version has is not read: lists of nothing fill memory."""
_RIDE: Final = "canassist-result/1"
_LOG_FACTS: Final = ("start_utc", "duration_s", "frames", "error_frames", "buses", "ids")
_CHANNEL_FACTS: Final = ("signal", "unit", "samples", "min", "median", "max")
"""Facts that no change of our rules moves, or seldom."""


def is_old(data: bytes) -> bool:
    """Tell whether a page carries the seal of version 0.1."""
    return _MARK in data and _RULE in data


def compared(data: bytes, inputs: Sequence[InputFile], remake: Remake | None = None) -> list[str]:
    """Return in sentences how the data of an old page goes with the files at hand.

    Parameters
    ----------
    data : bytes
        The page.
    inputs : sequence of InputFile
        The files at hand, hashed.
    remake : callable, optional
        Makes a page of this version from them.
    """
    if not inputs:
        return []
    text = part_of(data, RESULT_ID) or b""
    try:
        stated: Json = json.loads(text if len(text) <= _LARGEST else b"")
        hashes = {str(item["sha256"]) for item in stated["inputs"]}
    except (ValueError, KeyError, TypeError, RecursionError):
        return ["Its data cannot be read, so it was not compared with the files given."]
    words = []
    for item in inputs:
        name, agrees = _ROLES.get(item.role, item.role), item.sha256 in hashes
        words.append(
            f"Its data names this {name}, {item.name}: the hashes agree."
            if agrees
            else f"Its data names another {name} than {item.name}: the hashes differ."
        )
    if remake is None or stated.get("schema") != _RIDE:
        return words
    return [*words, *_with_files(stated, inputs, remake)]


def _with_files(stated: Json, inputs: Sequence[InputFile], remake: Remake) -> Iterator[str]:
    """Compare with what the files give here and now."""
    files = tuple(
        StatedFile(role=one.role, name=one.name, sha256=one.sha256, size_bytes=one.size_bytes)
        for one in inputs
    )
    try:
        page = remake(PageStatement(kind="report", inputs=files), b"")
    except (MissingExtraError, OutputError):
        raise
    except CanassistError as error:
        yield f"These files cannot be read here, so its data was not compared: {error.problem}"
        return
    found: Json = json.loads(page_data(page) or b"{}")
    facts, own = dict(_facts(stated)), dict(_facts(found))
    same = sorted(name for name in own if facts.get(name) == own[name])
    other = sorted({*facts, *own} - set(same))
    if same:
        yield f"These files give here the same as its data says of: {', '.join(same)}."
    if other:
        yield (
            f"They give something else than its data says of: {', '.join(other)}. That may come "
            "from newer rules, or its data was changed."
        )
    yield f"Its first answer is {_answer(stated)}; by the rules of this version {_answer(found)}."


def _facts(result: Json) -> Iterator[tuple[str, object]]:
    log, channels = result.get("log"), result.get("channels")
    if isinstance(log, dict):
        yield from ((f"log.{name}", log.get(name)) for name in _LOG_FACTS)
    for name, channel in channels.items() if isinstance(channels, dict) else ():
        if isinstance(channel, dict):
            yield f"channels.{name[:80]}", [channel.get(fact) for fact in _CHANNEL_FACTS]


def _answer(result: Json) -> str:
    try:
        return str(result["conclusions"][0]["code"])[:80]
    except (KeyError, IndexError, TypeError):
        return "none"
