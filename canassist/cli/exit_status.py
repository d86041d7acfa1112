"""What a command may end with: the contract's exit statuses and messages."""

from __future__ import annotations

import os
import sys
import traceback
from contextlib import contextmanager
from functools import wraps
from typing import TYPE_CHECKING, Final, ParamSpec, TypeVar

import typer

from canassist.errors import CanassistError, OutputError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

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
    typer.echo(harmless(text), err=True)


def say(text: str) -> None:
    """Write an answer to standard output, with control characters made harmless.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    with _told_where_it_goes():
        typer.echo(harmless(text))


def put_out(data: bytes) -> None:
    """Write bytes to standard output, all of them.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    with _told_where_it_goes():
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()


@contextmanager
def _told_where_it_goes() -> Iterator[None]:
    """Turn a full disk behind standard output into a message; a reader may go away."""
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        _silence_stdout()
        problem = f"standard output: cannot be written ({error.strerror})."
        raise OutputError(problem, "Send it where there is room, or name a file.") from error


def harmless(text: str) -> str:
    """Return text that moves no cursor and changes no colour: names in logs are foreign."""
    return "".join(
        letter if letter.isprintable() or letter in _BLANKS else "\ufffd" for letter in text
    )


_BLANKS: Final = "\n\u00a0\u2009\u202f"


def _silence_stdout() -> None:
    """Point standard output nowhere, so that its last flush does not complain."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
