"""``canassist help`` and ``canassist completion``."""

from __future__ import annotations

from importlib import import_module
from typing import Annotated, Literal

import typer

from canassist.cli.exit_status import say
from canassist.cli.guidance.usage_messages import unknown_command


def help_(
    ctx: typer.Context,
    command: Annotated[
        str, typer.Argument(metavar="COMMAND", help="The command to show; without one, all.")
    ] = "",
) -> None:
    """Show what a command takes, with examples."""
    top = ctx.parent
    if top is None:
        raise typer.Exit
    if not command:
        say(top.get_help())
        return
    commands = getattr(top.command, "commands", {})
    if command not in commands:
        raise unknown_command(command, list(commands))
    found = commands[command]
    say(found.get_help(found.make_context(f"canassist {command}", [], resilient_parsing=True)))


def completion(
    shell: Annotated[
        Literal["bash", "zsh", "fish", "powershell"],
        typer.Argument(metavar="SHELL", help="bash, zsh, fish or powershell."),
    ],
) -> None:
    """Print what makes a shell complete the names of commands and options."""
    # Its place differs between versions; this one re-exports it from wherever it lives.
    get_completion_script = import_module("typer.completion").get_completion_script

    variable = "_CANASSIST_COMPLETE"
    say(str(get_completion_script(prog_name="canassist", complete_var=variable, shell=shell)))
