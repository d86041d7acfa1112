"""Names taken apart: what the words of a signal's name, message and comment mean."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from typing import Final

from canassist.decode.matching.vocabulary import (
    FRENCH_COMPANY,
    MEANINGS,
    SHORT_MEANINGS,
    bag,
)

_PIECES: Final = re.compile(r"[A-Z]{2,}s?(?![a-z])|[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-z]+|[A-Z]+|[0-9]+")
_VOWELS: Final = re.compile(r"(?<!^)[aeiouy]")
_DOUBLED: Final = re.compile(r"(.)\1")
_SKELETON_FROM: Final = 5
"""A word as long as this is also known by its consonants ("mdl", "vltg")."""
_PREFIX_FROM: Final = 4
"""A word cut short is known by as many of its first letters."""
_COMPOUND_FROM: Final = 5
_MAX_COMPOUND: Final = 40
_SHORT_PIECES: Final = bag("tq sg ub fl fr rl rr lf rf lr")
_LINKING_LETTERS: Final = frozenset("sen")
"""German compounds are joined by one of these or two."""
_LINKS: Final = frozenset({"s", "de", "du", "di", "of"})
NOTHING: Final[frozenset[str]] = frozenset()


def fold(text: str) -> str:
    """Return `text` without accents; sharp s becomes ss."""
    plain = unicodedata.normalize("NFKD", text.replace("ß", "ss").replace("°", " "))
    return "".join(letter for letter in plain if not unicodedata.combining(letter))


@lru_cache(maxsize=20_000)
def split_name(name: str) -> tuple[str, ...]:
    """Split a name into folded words: at signs, capitals and digits, compounds at their seams.

    Examples
    --------
    >>> split_name("UBatt_Lenkmoment2")
    ('u', 'batt', 'lenk', 'moment')
    """
    words: list[str] = []
    for piece in _PIECES.findall(fold(name)):
        if not piece.isdigit():
            words += _seams(piece.casefold())
    return tuple(words)


@lru_cache(maxsize=20_000)
def word_means(word: str) -> frozenset[str]:
    """Return what one folded word means: in full, by its consonants, or cut short."""
    found = MEANINGS.get(word)
    if found is None and len(word) >= _PREFIX_FROM - 1:
        found = _BY_SKELETON.get(_skeleton(word)) if len(word) < _SKELETON_FROM + 1 else None
        if found is None and len(word) >= _PREFIX_FROM:
            found = _cut_short(word)
    return found or NOTHING


@lru_cache(maxsize=20_000)
def name_means(name: str) -> tuple[frozenset[str], frozenset[str]]:
    """Return what a name's words mean, and what its formula letters stand for."""
    words = split_name(name)
    meant: set[str] = set()
    for word in words:
        meant |= word_means(word)
    letters = {SHORT_MEANINGS[word] for word in words if word in SHORT_MEANINGS}
    if "direction" in meant and not FRENCH_COMPANY.isdisjoint(words):
        meant.add("steering")
    return frozenset(meant), frozenset(letters)


_STRANGE_FROM: Final = 4
"""Shorter unknown pieces are prefixes and suffixes of a house style."""


def strange_words(name: str, *around: str) -> tuple[str, ...]:
    """Return the words of a name that mean nothing here and do not stand around it either."""
    near = {word for text in around for word in split_name(text)}
    return tuple(
        word
        for word in split_name(name)
        if len(word) >= _STRANGE_FROM and not word_means(word) and word not in near
    )


def _seams(word: str) -> list[str]:
    """Take a run-together word apart where its parts are known from end to end."""
    if word_means(word) or not _COMPOUND_FROM <= len(word) <= _MAX_COMPOUND:
        return [word]
    if word[0] in SHORT_MEANINGS and _is_piece(word[1:]):
        return [word[0], word[1:]]
    return _compound(word) or [word]


@lru_cache(maxsize=20_000)
def _compound(word: str) -> list[str] | None:
    """Return the fewest known words that make up `word`, or None."""
    best: list[list[str] | None] = [[]] + [None] * len(word)
    for end in range(2, len(word) + 1):
        for start in range(end - 1):
            head, piece = best[start], word[start:end]
            if head is None or not (_is_piece(piece) or (head and piece in _LINKS)):
                continue
            if best[end] is None or len(head) + 1 < len(best[end] or []):
                best[end] = [*head, piece]
        if best[end] is None and best[end - 1] and word[end - 1] in _LINKING_LETTERS:
            best[end] = best[end - 1]
    found = best[len(word)]
    return found if found and len(found) > 1 else None


def _is_piece(word: str) -> bool:
    return word in MEANINGS and (len(word) >= 3 or word in _SHORT_PIECES)  # noqa: PLR2004 - shorter ones are everywhere by chance


def _skeleton(word: str) -> str:
    return _DOUBLED.sub(r"\1", _VOWELS.sub("", word))


def _skeletons() -> dict[str, frozenset[str]]:
    found: dict[str, frozenset[str]] = {}
    clashes: set[str] = set()
    for word, concepts in MEANINGS.items():
        bones = _skeleton(word)
        if len(word) < _SKELETON_FROM or len(bones) < _PREFIX_FROM - 1:
            continue
        if found.setdefault(bones, concepts) != concepts:
            clashes.add(bones)
    return {bones: concepts for bones, concepts in found.items() if bones not in clashes}


def _cut_short(word: str) -> frozenset[str] | None:
    """Return the meaning that all known words beginning with `word` share, if any."""
    longer = [means for known, means in MEANINGS.items() if known.startswith(word)]
    if not longer:
        return None
    shared = frozenset.intersection(*longer)
    return shared or None


_BY_SKELETON: Final = _skeletons()
