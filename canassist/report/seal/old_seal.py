"""Pages sealed by version 0.1: recognised, never believed.

That seal read the page's HTML as one parser does, and browsers read it otherwise: a page could
show a reader something else and still pass.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

from canassist.report.seal.page_parts import part_of
from canassist.report.seal.seal import RESULT_ID

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import InputFile

_MARK: Final = b'<pre id="seal-manifest">{'
_RULE: Final = b"canassist-seal/1"
_ROLES: Final = {"log": "log", "dbc": "database", "profile": "profile"}


def is_old(data: bytes) -> bool:
    """Tell whether a page carries the seal of version 0.1."""
    return _MARK in data and _RULE in data


def compared(data: bytes, inputs: Sequence[InputFile]) -> list[str]:
    """Return in sentences how the data of an old page goes with the files at hand."""
    if not inputs:
        return []
    hashes = _hashes(data)
    if hashes is None:
        return ["Its data cannot be read, so it was not compared with the files given."]
    words = []
    for item in inputs:
        name = _ROLES.get(item.role, item.role)
        agrees = item.sha256 in hashes
        words.append(
            f"Its data names this {name}, {item.name}: the hashes agree."
            if agrees
            else f"Its data names another {name} than {item.name}: the hashes differ."
        )
    return words


def _hashes(data: bytes) -> set[str] | None:
    try:
        found: Any = json.loads(part_of(data, RESULT_ID) or b"")  # Any: a foreign page's JSON
        return {str(item["sha256"]) for item in found["inputs"]}
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
