"""Files that appear whole or not at all."""

from __future__ import annotations

import os
import tempfile
from contextlib import ExitStack, suppress
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from canassist.errors import OutputError

if TYPE_CHECKING:
    from collections.abc import Container, Mapping

OWNER_ONLY = 0o600


def check_folder(path: Path) -> None:
    """Refuse a name that cannot be written, before long work is done for it.

    Raises
    ------
    OutputError
        Naming the file.
    """
    try:
        has_folder, is_folder = path.absolute().parent.is_dir(), path.is_dir()
        leads_nowhere = path.is_symlink() and not path.exists()
    except OSError as error:  # a name that is too long, a folder that is closed
        raise _cannot(path, error) from error
    if not has_folder:
        problem = f"{path}: cannot be written, its folder does not exist."
        raise OutputError(problem, "Make the folder, or choose one that exists.")
    if is_folder:
        raise OutputError(f"{path}: is a folder, not a file's name.", "Give the file a name.")
    if leads_nowhere:
        problem = f"{path}: is a link that leads nowhere, and is left alone."
        raise OutputError(problem, "Give another name, or remove the link.")
    if path.exists() and not path.is_file():
        problem = f"{path}: is a device or a pipe, and is left alone."
        raise OutputError(problem, "Give the name of an ordinary file.")


def write_whole(files: Mapping[Path, bytes], *, secret: Container[Path] = ()) -> None:
    """Write several files, none of which is ever seen half-written.

    Each is written under a temporary name in its own folder; only when all are
    there do they take their names. On any failure no new file is left.

    Parameters
    ----------
    files : mapping of path to bytes
        What to write where.
    secret : container of path
        Those that only their owner may read.

    Raises
    ------
    OutputError
        If a folder is missing or not writable, or the disk is full.
    """
    with ExitStack() as clean_up:
        temporary = {}
        for path, content in files.items():
            name = _write_temporary(path, content, OWNER_ONLY if path in secret else _usual_mode())
            clean_up.callback(_remove, name)
            temporary[path] = name
        _put_in_place(temporary)


def _put_in_place(temporary: Mapping[Path, Path]) -> None:
    """Give every file its name; where one cannot have it, the new ones before it go again."""
    with ExitStack() as undo:
        for path, name in temporary.items():
            is_new = not path.exists()
            try:
                name.replace(path)
            except OSError as error:
                raise _cannot(path, error) from error
            if is_new:
                undo.callback(_remove, path)
        undo.pop_all()


def _write_temporary(path: Path, content: bytes, mode: int) -> Path:
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}.", dir=path.parent)
    except OSError as error:
        raise _cannot(path, error) from error
    with ExitStack() as undo:
        undo.callback(_remove, Path(name))
        try:
            with os.fdopen(handle, "wb") as target:
                target.write(content)
            Path(name).chmod(mode)
        except OSError as error:
            raise _cannot(path, error) from error
        undo.pop_all()
    return Path(name)


@cache
def _usual_mode() -> int:
    """Return the access bits that a plain new file would have (mkstemp gives 0600).

    Asked for once: for that moment the process has no mask, which other threads would see.
    """
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def _remove(path: Path) -> None:
    with suppress(FileNotFoundError):
        path.unlink()


def _cannot(path: Path, error: OSError) -> OutputError:
    problem = f"{path}: cannot be written ({error.strerror or error})."
    return OutputError(problem, "Choose a folder that exists, is yours and has room.")
