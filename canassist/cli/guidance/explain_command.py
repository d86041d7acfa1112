"""``canassist explain``: what a word of a report means, by which rule, and from where."""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import TYPE_CHECKING, Annotated, Final

import typer

from canassist.cli.exit_status import say
from canassist.cli.options import ProfileFile
from canassist.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from canassist.model import LearnedFigure

_HEADING: Final = re.compile(r"(?m)^(##|###) (.+)$")
_NUMBER: Final = re.compile(r"^(\d+)\. ")
_MARKS: Final = re.compile(r"\*\*?|`")
_MOST_LISTED: Final = 8


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the definitions: a section, or a word in it."""

    name: str
    text: str
    section: str


def explain(
    name: Annotated[
        str,
        typer.Argument(
            metavar="NAME", help="A word of a report: an event, a cause, a limit, a channel."
        ),
    ] = "",
    profile: ProfileFile = None,
) -> None:
    """Say what a word of a report means, by which rule it is found, and where the rule is from.

    Without a name it lists all words. With a profile it says where that has a limit from.
    """
    entries = definitions()
    if not name:
        say(listing(entries))
        return
    source = _source(name, profile) if profile else ""
    for entry in lookup(name, entries) if not source else _maybe(name, entries):
        say(f"{entry.name}  ({entry.section})\n\n{entry.text}\n")
    if source:
        say(source)


def _maybe(name: str, entries: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """Return the entries of a name; a law that only the profile tells of has none."""
    try:
        return lookup(name, entries)
    except UsageError:
        return ()


def _source(name: str, path: Path) -> str:
    """Say where a profile has a limit or a law from."""
    from canassist.profile import limit_facts, read_profile

    known = read_profile(path)
    wanted = _normal(name)
    facts = limit_facts()
    figures = {_normal(full): (full, figure) for full, figure in known.learned.items()}
    if wanted in figures:
        full, figure = figures[wanted]
        if full not in known.learned_used:
            return f"{path.name} gives it by hand: it was changed since it was {figure.source}."
        span = (
            ""
            if figure.low is None or figure.high is None
            else f", {figure.low:g} to {figure.high:g} seen"
        )
        thin = full in known.thinly_learned
        held = " A blame that rests on it is held at moderate." if thin else ""
        return f"{path.name}: {_said(figure)}{figure.source}{span}.{held}"
    if wanted in facts:
        given = known.gives(wanted)
        return f"{path.name} gives it by hand." if given else f"{path.name} does not give it."
    return ""


def _said(figure: LearnedFigure) -> str:
    """Return a figure's value in words, with its unit; a curve is told by the profile itself."""
    if not isinstance(figure.value, float):
        return ""
    return f"{figure.value:g} {figure.unit}, ".replace("degC", "\u00b0C")


@cache
def definitions() -> tuple[Entry, ...]:
    """Return every entry of the definitions, in their order."""
    from importlib import resources

    return parse(resources.files("canassist").joinpath("definitions.md").read_text("utf-8"))


def parse(text: str) -> tuple[Entry, ...]:
    """Return the entries of a page of definitions: ``## N. title`` and ``### NAME`` head them."""
    pieces = _HEADING.split(text)[1:]
    found, section = [], ""
    for level, heading, body in zip(pieces[::3], pieces[1::3], pieces[2::3], strict=True):
        title = _plain(heading)
        if level == "##":
            section = title
        found.append(Entry(name=title, text=_plain(body.strip()), section=section))
    return tuple(found)


def _plain(text: str) -> str:
    return _MARKS.sub("", text)


def words_of(entry: Entry) -> tuple[str, ...]:
    """Return the words that an entry is found by: a heading may name several."""
    title = _NUMBER.sub("", entry.name)
    return tuple(
        part.strip().casefold() for part in re.split(r",| and | / ", title) if part.strip()
    )


def lookup(name: str, entries: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """Return the entries that a name stands for; one word may be an event and a cause.

    Raises
    ------
    UsageError
        If there is none; it says which may be meant.
    """
    wanted = _normal(name)
    found = tuple(
        entry
        for entry in entries
        if wanted in {_normal(word) for word in (*words_of(entry), _NUMBER.sub("", entry.name))}
        or (wanted.isdigit() and entry.name.startswith(f"{wanted}. "))
    )
    if found:
        return found
    known = {_normal(word): word for entry in entries for word in words_of(entry)}
    near = get_close_matches(wanted, list(known), n=3, cutoff=0.6)
    inside = [known[word] for word in known if wanted in word][:_MOST_LISTED]
    meant = list(dict.fromkeys([*(known[word] for word in near), *inside]))
    problem = f'"{name}" is not explained here' + (f"; did you mean {meant[0]}?" if meant else ".")
    fix = (
        f"Near it: {', '.join(meant)}."
        if len(meant) > 1
        else "`canassist explain` lists all words."
    )
    raise UsageError(problem, fix)


def _normal(word: str) -> str:
    name = word.strip().casefold().removeprefix("limits.").removeprefix("--")
    return re.sub(r"[\s_-]+", "_", name)


def listing(entries: tuple[Entry, ...]) -> str:
    """Return all words by section."""
    lines: list[str] = []
    for entry in entries:
        if entry.name == entry.section:
            lines.append(f"\n{entry.name}")
        else:
            lines.append(f"  {entry.name}")
    return "\n".join(lines).strip()
