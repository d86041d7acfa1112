"""What a command may end with: the contract's exit statuses and messages."""

from __future__ import annotations

import os
import sys
import traceback
from functools import wraps
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import typer

from canassist.errors import CanassistError

if TYPE_CHECKING:
    from collections.abc import Callable

INTERRUPTED = 130
OUR_ERROR = 1

P = ParamSpec("P")
R = TypeVar("R")


def guarded(command: Callable[P, R]) -> Callable[P, R]:
    """Turn what a command raises into one message and the contract's exit status."""

    @wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return command(*args, **kwargs)
        except CanassistError as error:
            tell(error.problem)
            tell(error.fix)
            raise typer.Exit(error.exit_status) from None
        except KeyboardInterrupt:
            tell("Interrupted; nothing was left half-written.")
            raise typer.Exit(INTERRUPTED) from None
        except BrokenPipeError:
            _silence_stdout()
            raise typer.Exit(OUR_ERROR) from None
        except typer.Exit:
            raise
        except Exception as error:
            tell(f"canassist itself failed: {type(error).__name__}: {error}")
            tell("Please report this, with the log if you may. CANASSIST_DEBUG=1 shows more.")
            if os.environ.get("CANASSIST_DEBUG"):
                traceback.print_exc()
            raise typer.Exit(OUR_ERROR) from None

    return run


def tell(text: str) -> None:
    """Write a message to standard error, with control characters made harmless."""
    clean = "".join(
        letter if letter.isprintable() or letter == "\n" else "\ufffd" for letter in text
    )
    typer.echo(clean, err=True)


def _silence_stdout() -> None:
    """Point standard output nowhere, so that its last flush does not complain."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
