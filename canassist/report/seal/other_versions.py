"""Pages that other versions made, of canassist or of a library that decides bytes."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from canassist.report.page.embedded_data import MOST_BYTES, embedded_data, script_text
from canassist.report.seal import seal
from canassist.report.seal.page_parts import part_of
from canassist.report.seal.statement import own_versions, read_statement, statement_json

if TYPE_CHECKING:
    from canassist.report.seal.statement import PageStatement

_RELEASE: Final = re.compile(r"(?a)(\d{1,4})\.(\d{1,4})\.\d{1,4}[.a-z0-9]{0,20}\Z")
_LIBRARIES_PART: Final = re.compile(rb"<(script|svg)\b")
_FIRST_SEALED: Final = (0, 2)
"""No version before this one wrote the seal that is read here."""


def other_versions(statement: PageStatement) -> list[str]:
    """Return what other versions made the page, in words."""
    mine = own_versions()
    names = sorted({*mine, *statement.versions})
    return [
        f"{name} {statement.versions.get(name, 'not named')} (here {mine.get(name, 'none')})"
        for name in names
        if mine.get(name) != statement.versions.get(name)
    ]


def why_never(statement: PageStatement) -> str:
    """Return why no canassist can have written what a page states of versions; "" if one can."""
    stated, own = statement.versions, own_versions()
    made_by = stated.get("canassist", "")
    found = _RELEASE.match(made_by)
    if not found or tuple(map(int, found.groups())) < _FIRST_SEALED:
        return (
            f"It states that canassist {made_by or 'of no version'} made it; none such sealed so."
        )
    if made_by == own["canassist"] and set(stated) != set(own):
        return f"canassist {made_by} names other libraries than this page does."
    return ""


def with_versions(page: bytes, statement: PageStatement) -> bytes:
    """Return a page of ours as if the versions that another one states had made it."""
    own = part_of(page, seal.STATEMENT_ID) or b""
    told = replace(read_statement(own), versions=statement.versions)
    return page.replace(own, script_text(statement_json(told)).encode("utf-8"), 1)


def data_of(page: bytes, most: int = MOST_BYTES) -> bytes | None:
    """Return a page's data, unpacked; None where it has none of ours, or more than `most` bytes."""
    text = part_of(page, seal.RESULT_ID)
    try:
        return None if text is None else embedded_data(text.decode("utf-8"), most)
    except ValueError:
        return None


def same_data(stated: bytes, own: bytes, statement: PageStatement) -> bool:
    """Tell whether two results are the same but for the version that they name."""
    tool = '"tool":{"name":"canassist","version":%s}'
    old, new = (
        (tool % json.dumps(version)).encode()
        for version in (statement.versions.get("canassist", ""), own_versions()["canassist"])
    )
    return stated.replace(old, new, 1) == own


def says_otherwise(body: bytes, again: bytes, statement: PageStatement) -> bool:
    """Tell whether a page of this very version differs where no library decides.

    Pictures, scripts and packed data are the libraries'; all else is ours, letter for letter.
    Pages of another version of ours may be laid out otherwise, so of them nothing is told.
    """
    if statement.versions.get("canassist") != own_versions()["canassist"]:
        return False
    return _own_parts(body) != _own_parts(again)


def _own_parts(page: bytes) -> bytes:
    """Return a page without pictures and scripts, in one pass however it is nested."""
    pieces, at = [], 0
    for found in _LIBRARIES_PART.finditer(page):
        if found.start() < at:
            continue
        closing = b"</" + found[1] + b">"
        end = page.find(closing, found.end())
        if end < 0:
            break
        pieces.append(page[at : found.start()])
        at = end + len(closing)
    return b"".join([*pieces, page[at:]])


def differing_parts(stated: bytes | None, own: bytes | None) -> str:
    """Return which parts of the data differ, as far as they can be told apart."""
    try:
        one: Any = json.loads(stated or b"")  # Any: a foreign page's JSON
        other: Any = json.loads(own or b"")  # Any: the same
        names = [name for name in other if name != "tool" and one.get(name) != other[name]]
    except (ValueError, AttributeError, RecursionError):
        return ""
    return f" in: {', '.join(names)}" if names else ""
