"""The seal: digests over everything that the page states, and a signature if wanted.

The page is read as tokens (tags with sorted attributes, and text), so that a digest
holds for what a reader sees, however a portal writes the same page down again.
Scripts, the style sheet, the policy and the strip for later notes have digests of
their own: a page that lost one of these is reduced, a page in which one differs is
altered.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Final

SEAL_SCHEMA: Final = "canassist-seal/1"
VOID: Final = frozenset(
    {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "wbr"}
)
RESULT_ID: Final = "canassist-result"
FIGURES_ID: Final = "canassist-figures"
LIBRARY_ID: Final = "canassist-library"
LOADER_ID: Final = "canassist-loader"
SCRIPTS: Final = (RESULT_ID, FIGURES_ID, LIBRARY_ID, LOADER_ID)
SEAL_ID: Final = "seal"
STRIP_ID: Final = "later"

_BLANKS: Final = re.compile(r"[ \t\n\r\f]+")
_CHUNK: Final = "\n"


@dataclass
class Reading:
    """A page taken apart.

    Attributes
    ----------
    parts : mapping of part name to digest
        ``text``, ``figures``, ``style``, ``policy``, ``strip`` and one of each script;
        a part that the page lacks is not in it.
    scripts : mapping of id to text
        What stands in the page's scripts.
    seal : list of list of str
        Tokens of the seal's own section, each as its pieces.
    notes : list of str
        What was written into the strip for later notes.
    strange : list of str
        What no page of ours has: unknown scripts, comments, declarations.
    """

    parts: dict[str, str] = field(default_factory=dict)
    scripts: dict[str, str] = field(default_factory=dict)
    seal: list[list[str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    strange: list[str] = field(default_factory=list)


class _Reader(HTMLParser):
    """Sorts a page's tokens into its parts."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tokens: dict[str, list[str]] = {}
        self.reading = Reading()
        self._open: list[tuple[str, str]] = []  # tag, and part of what stands in it
        self._script = ""
        self._text: list[str] = []

    @property
    def part(self) -> str:
        """The part that the next token belongs to."""
        return self._open[-1][1] if self._open else "text"

    def _enter(self, tag: str, name: str) -> None:
        """Go into an element; the outermost that is a part of its own takes in all inside."""
        part = self.part
        if part == "text" and name in {SEAL_ID, STRIP_ID}:
            part = name
        elif part == "text" and tag in {"figure", "style", "script"}:
            part = tag
        self._open.append((tag, part))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._flush()
        given = [[name, value or ""] for name, value in attrs]
        name = dict(given).get("id", "")
        if tag == "script":
            self._begin_script(name, given)
        part = self.part
        if tag == "meta" and dict(given).get("http-equiv"):
            part = "policy"
        elif tag not in VOID:
            self._enter(tag, name)
            part = self.part
        self._add(part, ["<", tag, *(piece for pair in sorted(given) for piece in pair)])

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        self._flush()
        if tag in VOID:
            return
        self._add(self.part, [">", tag])
        if self._open and self._open[-1][0] == tag:
            self._open.pop()
        else:
            self.reading.strange.append(f"</{tag}> closes nothing")

    def handle_data(self, data: str) -> None:
        self._text.append(data)

    def handle_comment(self, data: str) -> None:
        self.reading.strange.append(f"comment: {data[:40]}")

    def unknown_decl(self, data: str) -> None:
        self.reading.strange.append(f"declaration: {data[:40]}")

    def handle_pi(self, data: str) -> None:
        self.reading.strange.append(f"instruction: {data[:40]}")

    def handle_decl(self, decl: str) -> None:
        if decl.casefold() != "doctype html":
            self.reading.strange.append(f"declaration: {decl[:40]}")

    def close(self) -> None:
        super().close()
        self._flush()
        if self._open:
            self.reading.strange.append(f"<{self._open[-1][0]}> is never closed")

    def _begin_script(self, name: str, given: list[list[str]]) -> None:
        kinds = {"id", "type"}
        if name not in SCRIPTS or name in self.reading.scripts:
            self.reading.strange.append(f"script: {name or 'without a name'}")
        elif {key for key, _ in given} - kinds:
            self.reading.strange.append(f"script {name}: further attributes")
        self._script = name

    def _flush(self) -> None:
        text, self._text = "".join(self._text), []
        if not text:
            return
        part, tag = self.part, self._open[-1][0] if self._open else ""
        if part == "script":
            self.reading.scripts.setdefault(self._script, text)
        elif part == STRIP_ID and tag == "textarea":
            if text.strip():
                self.reading.notes.append(text.strip())
        elif tag in {"", "html", "head", "body"} and not text.strip():
            return
        else:
            self._add(part, [_BLANKS.sub(" ", text)])

    def _add(self, part: str, token: list[str]) -> None:
        if part == SEAL_ID:
            self.reading.seal.append(token)
        elif part != "script":
            # The lengths keep tokens apart: no text can pass for markup.
            written = "".join([f"{len(piece)}:{piece}" for piece in token])
            self.tokens.setdefault(part, []).append(f"{len(token)};{written}")


def read_page(html: str) -> Reading:
    """Take a page apart into the parts that the seal covers.

    Parameters
    ----------
    html : str
        A whole page.

    Returns
    -------
    Reading
        Digests of its parts; anything foreign is listed, not left out.
    """
    reader = _Reader()
    reader.feed(html)
    reader.close()
    reading = reader.reading
    names = {"figure": "figures", STRIP_ID: "strip"}
    for part, tokens in reader.tokens.items():
        reading.parts[names.get(part, part)] = digest(_CHUNK.join(tokens))
    for name, text in reading.scripts.items():
        reading.parts[name] = digest(text)
    return reading


def digest(text: str) -> str:
    """Return the SHA-256 of a text's UTF-8 bytes, in hexadecimal."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def manifest(parts: Mapping[str, str], *, version: str, result_sha256: str) -> bytes:
    """Return the list of digests that the seal states and a signature signs.

    Returns
    -------
    bytes
        JSON in RFC 8785 form: names sorted, no blanks.
    """
    listed = {
        "schema": SEAL_SCHEMA,
        "tool": f"canassist {version}",
        "result_sha256": result_sha256,
        "parts": dict(parts),
    }
    return json.dumps(listed, sort_keys=True, separators=(",", ":")).encode("ascii")
