"""The trust file: keys that a user has compared with their owners, by name."""

from __future__ import annotations

import json
import tomllib
from typing import TYPE_CHECKING, Final

from canassist.atomic_write import write_whole
from canassist.errors import InputError, OutputError
from canassist.report.seal.edwards25519 import why_weak
from canassist.report.seal.signing import fingerprint

if TYPE_CHECKING:
    from pathlib import Path

TRUST_FILE: Final = "trusted_keys.toml"
_HEAD: Final = "# Keys whose signatures `canassist verify` believes: name = public key.\n"
_LONGEST_NAME: Final = 100


def read_trusted(folder: Path) -> dict[str, str]:
    """Return trusted keys: name by fingerprint (64 hexadecimal letters).

    Raises
    ------
    InputError
        If the file is damaged or holds a key that proves nothing.
    """
    return {fingerprint(key).replace(" ", ""): name for name, key in _read(folder).items()}


def trust(folder: Path, name: str, public_key: bytes) -> Path:
    """Add a key to the trust file; return the file.

    Raises
    ------
    InputError
        If the file is damaged.
    OutputError
        If the name is taken by another key, or the file cannot be written.
    """
    known = _read(folder)
    if known.get(name, public_key) != public_key:
        problem = f"{name}: another key is trusted by this name."
        raise OutputError(problem, f"Choose another name, or edit {folder / TRUST_FILE}.")
    if not name.strip() or len(name) > _LONGEST_NAME or not name.isprintable():
        problem = "The name of a trusted key is empty, too long or not printable."
        raise OutputError(problem, f"Choose up to {_LONGEST_NAME} plain letters.")
    lines = [
        f"{json.dumps(one, ensure_ascii=False)} = {json.dumps(key.hex())}\n"
        for one, key in (known | {name: public_key}).items()
    ]
    path = folder / TRUST_FILE
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        problem = f"{folder}: cannot be made ({error.strerror})."
        raise OutputError(problem, "Check who may write there.") from error
    write_whole({path: (_HEAD + "".join(lines)).encode()}, secret={path})
    return path


def _read(folder: Path) -> dict[str, bytes]:
    path = folder / TRUST_FILE
    try:
        table = tomllib.loads(path.read_text("utf-8"))
        found = {name: bytes.fromhex(text) for name, text in table.items()}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, TypeError) as error:
        problem = f"{path}: the file of trusted keys cannot be used ({type(error).__name__})."
        raise InputError(problem, "Correct it, or remove it and trust the keys anew.") from error
    for name, key in found.items():
        if why := why_weak(key):
            problem = f"{path}: the key of {name} proves nothing: {why}."
            raise InputError(problem, "Remove its line.")
    return found
