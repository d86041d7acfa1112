"""The `canassist` command and its sub-commands."""

from __future__ import annotations

import io
import os
import sys
from typing import Annotated

import typer

from canassist.cli.backup_command import backup, restore
from canassist.cli.channels_command import channels
from canassist.cli.compare_command import compare
from canassist.cli.demo_command import demo
from canassist.cli.exit_status import INTERRUPTED, guarded
from canassist.cli.garbage_collector import leave_the_rest
from canassist.cli.guidance.command_shape import HELP_NAMES, CommandGroup, OneCommand
from canassist.cli.guidance.explain_command import explain
from canassist.cli.guidance.help_command import completion, help_
from canassist.cli.keys_command import keys
from canassist.cli.learn_command import learn
from canassist.cli.record_command import record
from canassist.cli.report_command import report
from canassist.cli.screen_command import screen
from canassist.cli.serve_command import serve
from canassist.cli.verify_command import verify
from canassist.version import VERSION

app = typer.Typer(
    name="canassist",
    cls=CommandGroup,
    context_settings=HELP_NAMES,
    help="Say why the steering went heavy, from a CAN bus log of the ride.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
for command in (
    report,
    compare,
    screen,
    channels,
    learn,
    record,
    verify,
    keys,
    demo,
    serve,
    backup,
    restore,
):
    app.command(cls=OneCommand, context_settings=HELP_NAMES)(guarded(command))
app.command(cls=OneCommand, context_settings=HELP_NAMES)(guarded(explain))
app.command("help", cls=OneCommand, context_settings=HELP_NAMES)(guarded(help_))
app.command(cls=OneCommand, context_settings=HELP_NAMES)(guarded(completion))


def _say_version(asked: bool) -> None:
    if asked:
        typer.echo(f"canassist {VERSION}")
        raise typer.Exit


@app.callback()
def top(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_say_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Say why the steering went heavy, from a CAN bus log of the ride."""


def _use_one_core_for_sums() -> None:
    """Keep numpy's library of linear algebra to one thread; it reads this when it is loaded.

    Its threads take a fifth of a report's processor time in waiting for each other, and the
    last digit of a sum would depend on the number of cores.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def main() -> int:
    """Run the command line and return its exit status."""
    _use_one_core_for_sums()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a code page may lack the letters of a unit
    try:
        app()
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else int(leaving.code is not None)
    except KeyboardInterrupt:
        sys.stderr.write("Interrupted.\n")
        return INTERRUPTED
    finally:
        leave_the_rest()
    return 0
