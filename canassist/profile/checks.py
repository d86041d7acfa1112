"""Small checks of a profile's entries, each with one message that names the file and the key."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from typing import Any, NoReturn

from canassist.errors import ProfileError

Table = Mapping[str, Any]  # Any: TOML values have any type until checked here


class ProfileChecks:
    """Checks entries of one profile file; every complaint is a `ProfileError`."""

    def __init__(self, file_name: str) -> None:
        self.file_name = file_name

    def table(self, table: Table, name: str, known: tuple[str, ...]) -> Table:
        """Return a table of the file, empty where it is missing, with known keys only."""
        entry = table.get(name, {})
        if not isinstance(entry, Mapping):
            self.refuse(name, "is not a table", f"Write [{name}].")
        self.known(entry, known, name)
        return entry

    def known(self, table: Table, known: tuple[str, ...], place: str) -> None:
        """Refuse a key that is not known, with a near one suggested."""
        for key in table:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
                fix = f'Did you mean "{near[0]}"?' if near else f"Known: {', '.join(known)}."
                self.refuse(f"{place}.{key}".lstrip("."), "is not known", fix)

    def optional(self, table: Table, key: str, place: str) -> float | None:
        """Return a number, or None where the key is missing."""
        return self.number(table[key], f"{place}.{key}") if key in table else None

    def number(self, value: object, place: str) -> float:
        """Return a finite number."""
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self.refuse(place, f"is {_kind(value)}, not a number", "Write a number.")
        try:
            number = float(value)
        except OverflowError:  # a whole number beyond any float
            number = math.inf
        if not math.isfinite(number):
            self.refuse(place, "is not finite", "Write a number.")
        return number

    def positive(self, value: object, place: str) -> float:
        """Return a number above zero."""
        number = self.number(value, place)
        if number <= 0:
            self.refuse(place, f"= {number:g} is not above zero", "Give a positive number.")
        return number

    def numbers(self, value: object, place: str) -> tuple[float, ...]:
        """Return a list of numbers."""
        if not isinstance(value, list):
            self.refuse(place, f"is {_kind(value)}, not a list", "Write [1.0, 2.0, ...].")
        return tuple(self.number(item, place) for item in value)

    def text(self, value: object, place: str) -> str:
        """Return a text."""
        if not isinstance(value, str):
            self.refuse(place, f"is {_kind(value)}, not text", 'Write "..." around it.')
        return value

    def words(self, value: object, place: str) -> frozenset[str]:
        """Return a list of texts or numbers as texts."""
        if not isinstance(value, list):
            self.refuse(place, f"is {_kind(value)}, not a list", 'Write ["...", ...].')
        for item in value:
            if isinstance(item, bool) or not isinstance(item, (str, int, float)):
                self.refuse(place, f"holds {_kind(item)}", "Use texts or numbers.")
        return frozenset(item if isinstance(item, str) else f"{item:g}" for item in value)

    def refuse(self, place: str, what: str, fix: str) -> NoReturn:
        """Raise the error that names the file and the place."""
        raise ProfileError(f"{self.file_name}: {place} {what}.", fix)


def _kind(value: object) -> str:
    names = {bool: "true or false", str: "text", int: "a number", float: "a number", list: "a list"}
    return names.get(type(value), "a table" if isinstance(value, Mapping) else "a date or time")
