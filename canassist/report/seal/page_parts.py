"""Finds our own data in a page's bytes, by fixed strings: nothing here reads HTML.

What is found is only ever compared or checked; a page is believed for its seal and for being
made again, never for what stands in it.
"""

from __future__ import annotations

import json
from typing import Final

from canassist.report.data.canonical_json import canonical
from canassist.report.page.embedded_data import embedded_data

_SIGNS: Final = (
    b"<!--canassist-seal/",
    b'canassist-result"',
    b'canassist-statement"',
    b"<!--CANASSIST-SEAL/",
)
_ENCODINGS: Final = ("utf-8", "utf-16-le", "utf-16-be", "utf-32-le", "utf-32-be")
_END: Final = b"</script>"


def looks_like_ours(data: bytes) -> bool:
    """Tell whether a file has a seal or data of ours, in whatever encoding a program left it."""
    signs = [sign.decode("ascii").encode(code) for sign in _SIGNS for code in _ENCODINGS]
    return any(sign in data for sign in signs)


def script(name: str, kind: str = "application/json") -> bytes:
    """Return what opens a data element of our pages."""
    return f'<script type="{kind}" id="{name}">'.encode("ascii")


def part_of(body: bytes, name: str) -> bytes | None:
    """Return the text of a data element; None where it is missing or stands there twice."""
    kinds = [script(name, kind) for kind in ("application/json", "text/plain")]
    found = [(opening, body.count(opening)) for opening in kinds if opening in body]
    if [count for _, count in found] != [1]:
        return None
    opening = found[0][0]
    begin = body.index(opening) + len(opening)
    end = body.find(_END, begin)
    return body[begin:end] if end >= 0 else None


def page_data(page: bytes) -> bytes | None:
    """Return a page's data as its JSON file has them; None where it has none of ours.

    Nothing is checked: ask `verify_page` whether the page is to be believed.
    """
    text = part_of(page, "canassist-result")
    try:
        return None if text is None else canonical(json.loads(embedded_data(text.decode("utf-8"))))
    except (ValueError, RecursionError):
        return None
