"""The help pages: what a command does, an example, and its options by subject."""

from __future__ import annotations

import shutil
import textwrap
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

_COLUMN: Final = 28
_WIDEST: Final = 100
_NARROWEST: Final = 60

INPUTS = "The vehicle"
COMPLAINT = "The complaint"
OUTPUTS = "What is written"
SHOWN = "How it is shown"
CASE = "For the claim"
OTHER = "Options"

_GROUPS: Final = (INPUTS, COMPLAINT, OUTPUTS, SHOWN, CASE, OTHER)

_GROUP_EXAMPLES: Final = {
    INPUTS: "--dbc vehicle.dbc --profile vehicle.toml",
    COMPLAINT: "--at 12:40 --at 15:05.5",
    OUTPUTS: "-o monday.html --export monday-data",
    SHOWN: "--units us --zone Europe/Oslo",
    CASE: '--vehicle "unit 7" --work-order 4711 --complaint "heavy when hot"',
}

_EXAMPLES: Final = {
    "report": "report ride.log --dbc vehicle.dbc --profile vehicle.toml --at 12:40",
    "compare": "compare before.log after.log --dbc vehicle.dbc --profile vehicle.toml",
    "screen": "screen rides/ --dbc vehicle.dbc -o fleet/",
    "channels": "channels ride.log --dbc vehicle.dbc --write vehicle.toml",
    "verify": "verify ride.report.html --log ride.log --dbc vehicle.dbc --key workshop.pub",
    "keys": "keys workshop",
    "explain": "explain derate",
    "demo": "demo",
    "serve": "serve",
    "backup": "backup canassist-data rides.backup.zip",
    "restore": "restore rides.backup.zip new-data",
    "record": "record -o ride --interface socketcan --channel can0",
    "learn": "learn good-rides/ --dbc vehicle.dbc -o vehicle.toml",
    "help": "help report",
    "completion": 'completion bash >> "$HOME/.bashrc"',
}


def group_help(group: Any) -> str:  # noqa: ANN401 - the reader's own type
    """Return the overview: what it is for, the two lines to start with, every command."""
    commands = [(name, _first(command)) for name, command in group.commands.items()]
    rows = "".join(_entry(name, text) for name, text in commands)
    return (
        "canassist COMMAND ...\n\n"
        f"{_wrapped(str(group.help or ''))}\n\n"
        "  canassist demo\n"
        "  canassist report ride.log --dbc vehicle.dbc\n\n"
        f"Commands\n{rows}\n"
        f"{_entry('-h, --help', 'With a command: what it takes, with examples.')}"
        f"{_entry('--version', 'Show the version.')}"
    )


def command_help(command: Any, path: str) -> str:  # noqa: ANN401 - the reader's own type
    """Return a command's page."""
    arguments = [item for item in command.params if item.param_type_name == "argument"]
    options = [item for item in command.params if item.param_type_name == "option"]
    named = " ".join(_metavar(item) for item in arguments)
    parts = [f"{path} {named}".strip() + (" [options]" if options else "") + "\n"]
    parts.append(_wrapped(str(command.help or "")) + "\n")
    if command.name in _EXAMPLES:
        parts.append(f"  canassist {_EXAMPLES[command.name]}\n")
    described = [(_metavar(item), item.help) for item in arguments if item.help]
    if described:
        parts.append("".join(_entry(name, text) for name, text in described))
    return "\n".join((*parts, *_groups(options)))


def _groups(options: list[Any]) -> Iterator[str]:
    """Yield the options of each subject, ended by an example."""
    groups: dict[str, list[Any]] = {}
    for item in options:
        if not getattr(item, "hidden", False) and item.name != "help":
            groups.setdefault(getattr(item, "rich_help_panel", None) or OTHER, []).append(item)
    for name in (*_GROUPS, *(name for name in groups if name not in _GROUPS)):
        if name not in groups:
            continue
        rows = "".join(_entry(_spelled(item), item.help or "") for item in groups[name])
        example = _entry("for example", _GROUP_EXAMPLES[name]) if name in _GROUP_EXAMPLES else ""
        yield f"{name}\n{rows}{example}"


def _spelled(item: Any) -> str:  # noqa: ANN401 - the reader's own type
    short_first = sorted(item.opts, key=len)
    value = "" if item.is_flag else f" {_metavar(item)}"
    return f"{', '.join(short_first)}{value}"


def _metavar(item: Any) -> str:  # noqa: ANN401 - the reader's own type
    """Return what stands for a value: as declared, its choices, or the name in capitals."""
    if item.metavar:
        return str(item.metavar)
    choices = choices_of(item)
    return "|".join(map(str, choices)) if choices else str(item.name).upper()


def choices_of(item: Any) -> tuple[str, ...]:  # noqa: ANN401 - the reader's own type
    """Return the words that an option takes; empty where it takes any."""
    described = getattr(item, "type_descriptor", None)
    return tuple(map(str, getattr(described, "choices", None) or ()))


def _entry(name: str, text: str) -> str:
    width = _width()
    lines = textwrap.wrap(text, width - _COLUMN) or [""]
    head = f"  {name}"
    if len(head) > _COLUMN - 2:
        return f"{head}\n" + "".join(f"{'':{_COLUMN}}{line}\n" for line in lines)
    rest = "".join(f"{'':{_COLUMN}}{line}\n" for line in lines[1:])
    return f"{head:{_COLUMN}}{lines[0]}\n{rest}"


def _first(command: Any) -> str:  # noqa: ANN401 - the reader's own type
    return str(command.help or "").strip().split("\n\n", 1)[0].replace("\n", " ")


def _wrapped(text: str) -> str:
    paragraphs = text.strip().split("\n\n")
    return "\n\n".join(textwrap.fill(" ".join(item.split()), _width()) for item in paragraphs)


def _width() -> int:
    return min(max(shutil.get_terminal_size((80, 24)).columns, _NARROWEST), _WIDEST)
