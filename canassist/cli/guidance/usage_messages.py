"""What is wrong with a command line, and what to write instead, in our own words."""

from __future__ import annotations

import re
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canassist.cli.guidance.help_text import choices_of
from canassist.cli.output_names import LOG_ENDINGS
from canassist.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    Words = Sequence[str]
    Params = Sequence[Any]  # Any: the reader's own type
    Message = tuple[str, str]

DATABASE_ENDINGS: Final = frozenset({".dbc", ".kcd", ".sym", ".arxml"})
_ONE_DASH: Final = re.compile(r"-[a-z][a-z-]+(?:=.*)?")


def unknown_command(word: str, commands: Sequence[str]) -> UsageError:
    """Return the refusal of a first word that is no command: a file tells what was meant."""
    path = Path(word)
    ending = path.suffix.lower()
    meant = ""
    if path.is_dir():
        meant = f"canassist screen {word} -o fleet/"
    elif ending in {".html", ".htm"}:
        meant = f"canassist verify {word}"
    elif ending in DATABASE_ENDINGS:
        meant = f"canassist channels {word}"
    elif path.is_file() or ending in LOG_ENDINGS:
        meant = f"canassist report {word} --dbc vehicle.dbc"
    if meant:
        problem = f'"{word}" is no command; did you mean {meant.split()[1]}?'
        return UsageError(problem, f"Write: {meant}")
    near = get_close_matches(word.lower(), commands, n=1)
    problem = f'"{word}" is no command' + (f"; did you mean {near[0]}?" if near else ".")
    return UsageError(problem, f"The commands are: {', '.join(commands)}.")


def message_of(
    error: Any,  # noqa: ANN401 - the reader's own type
    words: Sequence[str],
    commands: Mapping[str, Any],
) -> tuple[str, str]:
    """Return problem and fix for a refused command line.

    Parameters
    ----------
    error : the reader's own error
        With ``ctx`` (where it happened) and, by its kind, ``option_name`` or ``param``.
    words : sequence of str
        The command line.
    commands : mapping of name to command
        All that there are.

    Returns
    -------
    problem, fix : str
        An empty problem where nothing was asked for: then the fix is the help page.
    """
    if type(error).__name__ == "NoArgsIsHelpError":
        return "", str(error.ctx.get_help())
    name = next((word for word in words if word in commands), "canassist")
    params = commands[name].params if name in commands else []
    worded = _BY_KIND.get(type(error).__name__, _other)
    return worded(error, words, name, params)


def _no_such_option(error: Any, words: Words, name: str, params: Params) -> Message:  # noqa: ANN401
    option = str(error.option_name)
    one_dash = next((word for word in words if _ONE_DASH.fullmatch(word)), "")
    if not option.startswith("--") and one_dash:
        return f"{name}: {one_dash} has one dash too few.", f"Write -{one_dash}."
    if option.lower() in {"-v", "--v", "--ver"}:
        return f"There is no option {option}.", "Write: canassist --version"
    if name == "canassist":
        problem = f"{option} is no option of canassist itself, and no command is named."
        return problem, "Write: canassist report ride.log --dbc vehicle.dbc"
    if words and words[0].startswith("-"):
        problem = f"{option} stands before the command."
        return problem, f"Write it after {name}: canassist {name} ... {option} ..."
    known = [text for item in params for text in item.opts]
    near = get_close_matches(option, known, n=1, cutoff=0.5)
    problem = f"{name}: there is no option {option}" + (
        f"; did you mean {near[0]}?" if near else "."
    )
    return problem, f"`canassist {name} -h` shows all of them."


def _no_value(error: Any, _: Words, name: str, params: Params) -> Message:  # noqa: ANN401
    option = str(error.option_name)
    item = next((item for item in params if option in item.opts), None)
    value = getattr(item, "metavar", None) or "VALUE"
    return f"{name}: {option} needs something after it.", f"Write: {option} {value}"


def _other(error: Any, _: Words, name: str, __: Params) -> Message:  # noqa: ANN401
    found = re.search(r"unexpected extra argument\S* \((.*)\)", str(error.message))
    fix = f"`canassist {name} -h` shows what it takes"
    if found:
        return f"{name}: one name too many: {found[1]}.", f"{fix}; put names with blanks in quotes."
    return f"{name}: {error.message}", f"{fix}."


_MISSING: Final = {
    "LOG...": ("no log is named.", "canassist report ride.log --dbc vehicle.dbc"),
    "A": ("two rides are needed.", "canassist compare before.log after.log --dbc vehicle.dbc"),
    "B": (
        "the second ride is missing.",
        "canassist compare before.log after.log --dbc vehicle.dbc",
    ),
    "FOLDER...": ("no folder with logs is named.", "canassist screen rides/ -o fleet/"),
    "LOG_OR_DBC": ("no log or database is named.", "canassist channels ride.log --dbc vehicle.dbc"),
    "REPORT.html": ("no report is named.", "canassist verify ride.report.html --log ride.log"),
    "OUT_DIR": (
        "-o says where the result goes; it is missing.",
        "canassist screen rides/ -o fleet/",
    ),
    "RIDES...": (
        "no rides of good vehicles are named.",
        "canassist learn rides/ -o vehicle.toml --dbc vehicle.dbc",
    ),
    "VEHICLE.toml": (
        "-o says where the profile goes; it is missing.",
        "canassist learn rides/ -o vehicle.toml --dbc vehicle.dbc",
    ),
    "DATA": ("the folder that the page keeps is not named.", "canassist backup DATA kept.zip"),
    "NAME": ("no word to explain is named.", "canassist explain derate"),
    "SHELL": ("no shell is named.", "canassist completion bash"),
}


def _missing(error: Any, _: Words, name: str, __: Params) -> Message:  # noqa: ANN401
    param = error.param
    shown = str(param.metavar or param.name)
    if shown in _MISSING:
        problem, example = _MISSING[shown]
        return f"{name}: {problem}", f"Write: {example}"
    what = param.opts[0] if param.param_type_name == "option" else shown
    return f"{name}: {what} is missing.", f"`canassist {name} -h` shows what it takes."


def _bad_value(error: Any, words: Words, name: str, _: Params) -> Message:  # noqa: ANN401
    param = error.param
    option = next((text for text in param.opts if text in _options_of(words)), param.opts[-1])
    value = _value_of(option, words) if option.startswith("-") else words[-1]
    shown = option if option.startswith("-") else name
    problem = f'{shown}: "{value}" cannot be used.' if value else f"{shown}: cannot be used."
    choices = choices_of(param)
    if choices:
        listed = " or ".join(f"{option} {choice}" for choice in choices)
        return problem, f"Write {listed}." if option.startswith(
            "-"
        ) else f"One of: {', '.join(choices)}."
    low, high = getattr(param, "min", None), getattr(param, "max", None)
    if high is not None:
        return problem, f"Give a whole number from {low} to {high}."
    if low is not None:
        return problem, f"Give a whole number of {low} or more."
    return problem, f"`canassist {name} -h` shows what it takes."


_BY_KIND: Final = {
    "NoSuchOption": _no_such_option,
    "BadOptionUsage": _no_value,
    "MissingParameter": _missing,
    "BadParameter": _bad_value,
}


def _options_of(words: Sequence[str]) -> set[str]:
    return {word.split("=", 1)[0] for word in words if word.startswith("-")}


def _value_of(option: str, words: Sequence[str]) -> str:
    for place, word in enumerate(words):
        if word == option and place + 1 < len(words):
            return words[place + 1]
        if word.startswith(f"{option}="):
            return word.split("=", 1)[1]
    return ""
