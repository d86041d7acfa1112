"""How every command is shown and refused: our own help pages and messages, whatever reads them."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any, Final

import typer
from typer.core import TyperCommand, TyperGroup

from canassist.cli.guidance.help_text import command_help, group_help
from canassist.cli.guidance.usage_messages import message_of, unknown_command

if TYPE_CHECKING:
    from collections.abc import Sequence

USAGE: Final = 2
_UsageError: Final[type[Exception]] = typer.BadParameter.__bases__[0]
"""What every refusal of a command line is; its own module differs between versions."""
HELP_NAMES: Final = {"help_option_names": ["-h", "--help"]}


class OneCommand(TyperCommand):
    """A command whose help is grouped by subject, with an example in each group."""

    def format_help(self, ctx: Any, formatter: Any) -> None:  # noqa: ANN401 - the reader's own types
        """Write the help page."""
        formatter.write(command_help(self, ctx.command_path))


class CommandGroup(TyperGroup):
    """All commands; what is wrong with a command line is said in two sentences of ours."""

    def format_help(self, ctx: Any, formatter: Any) -> None:  # noqa: ANN401 - the reader's own types
        """Write the overview of all commands."""
        formatter.write(group_help(self))

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:  # noqa: ANN401 - the reader's own types
        """Return the command that was called.

        Raises
        ------
        UsageError
            If there is none of that name; it says which one may be meant.
        """
        if args and args[0] not in self.commands and not args[0].startswith("-"):
            raise unknown_command(args[0], list(self.commands))
        return super().resolve_command(ctx, args)

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,  # noqa: ANN401 - handed on
    ) -> Any:  # noqa: ANN401 - what the command gives
        """Run a command line and leave with its exit status."""
        from canassist.cli.exit_status import tell
        from canassist.errors import UsageError

        words = list(sys.argv[1:] if args is None else args)
        try:
            status = super().main(
                args=words,
                prog_name=prog_name,
                complete_var=complete_var,
                standalone_mode=False,
                windows_expand_args=windows_expand_args and args is None,
                **extra,
            )
        except UsageError as error:
            problem, fix = error.problem, error.fix
        except _UsageError as error:
            problem, fix = message_of(error, words, self.commands)
        else:
            if standalone_mode:
                sys.exit(status if isinstance(status, int) else 0)
            return status
        if not problem:
            typer.echo(fix)
        else:
            tell(problem)
            tell(fix)
        sys.exit(USAGE)
