"""``canassist keys``: a key pair to sign reports with, and keys of others to trust."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from canassist.cli.exit_status import say
from canassist.errors import InputError, OutputError


def keys(
    name: Annotated[
        Path, typer.Argument(metavar="NAME", help="NAME.key and NAME.pub are written.")
    ] = Path("workshop"),
    trust: Annotated[
        tuple[str, Path] | None,
        typer.Option("--trust", metavar="NAME PUB", help="Trust this public key, by that name."),
    ] = None,
) -> None:
    """Make a key pair: the private one signs reports, the public one is given away."""
    if trust is not None:
        _trust(*trust)
        return
    from canassist import report as writing

    private, public = name.with_name(f"{name.name}.key"), name.with_name(f"{name.name}.pub")
    for path in (private, public):
        if os.path.lexists(path):
            raise _is_there(path)
    pair = writing.make_keys()
    _write_new(private, pair.private_pem, 0o600)
    try:
        _write_new(public, pair.public_pem, 0o644)
    except OutputError:
        private.unlink()
        raise
    say(f"{private}: keep it to yourself; sign with --sign {private}")
    say(f"{public}: give it to those who receive your reports")
    say(f"fingerprint {pair.fingerprint}")


def _write_new(path: Path, content: bytes, mode: int) -> None:
    """Write a file that is not there yet; not even in between is it open to more than it may be.

    Raises
    ------
    OutputError
        If it is there by now, or cannot be written.
    """
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(handle)
    except FileExistsError as error:
        raise _is_there(path) from error
    except OSError as error:
        problem = f"{path}: cannot be written ({error.strerror})."
        raise OutputError(problem, "Choose a folder that exists, is yours and has room.") from error


def _is_there(path: Path) -> OutputError:
    problem = f"{path}: is there already, and a key is never overwritten."
    return OutputError(problem, "Choose another name, or move the old key away.")


def _trust(name: str, file: Path) -> None:
    from canassist.cli.verifying import trust_folder
    from canassist.report import fingerprint, load_public_key, trust

    try:
        content = file.read_bytes()
    except OSError as error:
        problem = f"{file.name}: cannot be read ({error.strerror})."
        raise InputError(problem, "Give the .pub file of the key.") from error
    key = load_public_key(content, file.name)
    kept = trust(trust_folder(), name, key)
    say(f"{name}: trusted from now on, kept in {kept}")
    say(f"fingerprint {fingerprint(key)}: compare it with the one that the signer tells you")
