"""A private key's file, read and checked for sealing pages."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.errors import InputError
from canassist.report.seal.seal import Sealer
from canassist.report.seal.signing import load_private_key

if TYPE_CHECKING:
    from pathlib import Path


def sealer_of(key: Path | None, signer: bytes = b"") -> Sealer:
    """Return what seals a page: by a private key's file, for a signer's public key, or neither.

    Raises
    ------
    CanassistError
        If the key cannot be used.
    """
    if key is None:
        return Sealer(public_key=signer)
    return Sealer(load_private_key(read_key(key), key.name))


def check_private_key(path: Path) -> None:
    """Refuse a key that cannot sign, before long work is done for it.

    Raises
    ------
    CanassistError
        If the key cannot be used, or the library for signatures is not installed.
    """
    sealer_of(path)


def read_key(path: Path) -> bytes:
    """Return a private key's file as it is.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        problem = f"{path.name}: the key cannot be read ({error.strerror})."
        raise InputError(problem, "Make one with `canassist keys`.") from error
