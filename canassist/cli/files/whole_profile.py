"""A profile with further channels in it, and everything that it had kept as it was."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from canassist.errors import ProfileError
from canassist.profile import parse_profile

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import Profile

_CHANNELS: Final = re.compile(r"^[ \t]*\[[ \t]*channels[ \t]*\][ \t]*(?:#.*)?$", re.MULTILINE)
_LIMITS: Final = "# [limits]"
_HEADER: Final = "[channels]"


def whole_profile(kept: str, start: str, file_name: str) -> str:
    """Return a profile's text with the channels of another's start added.

    Parameters
    ----------
    kept : str
        A valid profile. Its own channels, limits and remarks stay as they are.
    start : str
        The start of a profile with further channels, as `canassist.decode` writes it.
    file_name : str
        Named in messages.

    Raises
    ------
    ProfileError
        If the profile is written in a way that takes no further channel.
    """
    kept = kept.replace("\r\n", "\n")
    plain, tables = _added(start)
    found = _CHANNELS.search(kept)
    if found:
        place = found.end()
        text = "".join([kept[:place], *(f"\n{line}" for line in plain), kept[place:]])
    else:
        text = "\n".join([kept.rstrip("\n"), "", _HEADER, *plain, ""])
    if tables:
        text = "\n".join([text.rstrip("\n"), "", *tables, ""])
    _check_kept(parse_profile(kept, file_name), text, file_name)
    return text


def _added(start: str) -> tuple[list[str], list[str]]:
    """Return the lines for ``[channels]``, and those of tables of their own."""
    lines = start.split(_HEADER + "\n", 1)[-1].split(_LIMITS, 1)[0].split("\n")
    end = lines.index("") if "" in lines else len(lines)
    return lines[:end], list(_without_blank_ends(lines[end:]))


def _without_blank_ends(lines: list[str]) -> Iterator[str]:
    while lines and not lines[0]:
        lines = lines[1:]
    while lines and not lines[-1]:
        lines = lines[:-1]
    yield from lines


def _check_kept(before: Profile, text: str, file_name: str) -> None:
    fix = "Write its channels below a line that says [channels]."
    try:
        after = parse_profile(text, file_name)
    except ProfileError as error:
        problem = f"{file_name}: further channels cannot be added ({error.problem})"
        raise ProfileError(problem, fix) from error
    if before.channels.items() - after.channels.items() or before != replace(
        after, channels=before.channels, given=before.given
    ):
        raise ProfileError(f"{file_name}: further channels cannot be added to it.", fix)
