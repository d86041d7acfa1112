"""Every English text of the page, from one file, so that it can be put into another language."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources


@cache
def words() -> dict[str, dict[str, str]]:
    """Return the texts by part of the page and name."""
    text = resources.files("canassist.web.http").joinpath("words.toml").read_text("utf-8")
    return tomllib.loads(text)


def grouped(count: int) -> str:
    """Return a whole number in groups of three digits, set apart by narrow spaces."""
    return f"{count:,}".replace(",", "\u202f")


def say(place: str, /, **values: object) -> str:
    """Return one text, ``part.name``, with its values filled in.

    Raises
    ------
    KeyError
        If there is no such text.
    """
    part, name = place.split(".", 1)
    return words()[part][name].format(**values)
