"""Files by the SHA-256 of their content; each is there whole or not at all."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import tempfile
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from canassist.atomic_write import OWNER_ONLY

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterable
    from contextlib import AbstractContextManager

_PRIVATE_FOLDER: Final = 0o700
_HASH: Final = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Usage:
    """How much room a data folder takes on its disk."""

    files: int
    kept_bytes: int
    bin_bytes: int
    free_bytes: int


class Incoming:
    """A file that is being written: it gets its name only when it is whole.

    Parameters
    ----------
    folder : path
        Where half-written files lie.
    """

    def __init__(self, folder: Path) -> None:
        handle, name = tempfile.mkstemp(prefix="part-", dir=folder)
        self.path = Path(name)
        self.size = 0
        self._file = os.fdopen(handle, "wb")
        self._hash = hashlib.sha256()

    def write(self, data: bytes) -> None:
        """Add bytes."""
        self._file.write(data)
        self._hash.update(data)
        self.size += len(data)

    def finish(self) -> str:
        """Bring all of it to the disk and return its SHA-256."""
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()
        return self._hash.hexdigest()

    def drop(self) -> None:
        """Remove it, finished or not; harmless once it has taken its place."""
        with suppress(OSError):
            self._file.close()
        self.path.unlink(missing_ok=True)


class Blobs:
    """The files of the page.

    Parameters
    ----------
    folder : path
        The data folder; made where missing. What an earlier process left
        half-written in it is removed.
    """

    def __init__(self, folder: Path) -> None:
        self._kept = folder / "files"
        self._incoming = folder / "incoming"
        self._work = folder / "work"
        self._bin = folder / "bin"
        for made in (self._kept, self._incoming, self._work, self._bin):
            made.mkdir(mode=_PRIVATE_FOLDER, parents=True, exist_ok=True)
        self._home = folder
        self._placing = threading.Lock()
        for left in (self._incoming, self._work):
            for path in left.iterdir():
                _remove(path)

    def placing(self) -> AbstractContextManager[object]:
        """Return a hold for the time between keeping a file and noting what refers to it.

        While it is held no sweep can take a file that nothing refers to yet.
        """
        return self._placing

    def incoming(self) -> Incoming:
        """Begin a new file."""
        return Incoming(self._incoming)

    def keep(self, whole: Path, sha256: str) -> None:
        """Give a whole file on the same disk its place; the same content is kept once."""
        target = self.path(sha256)
        target.parent.mkdir(mode=_PRIVATE_FOLDER, exist_ok=True)
        whole.chmod(OWNER_ONLY)
        if target.is_file():  # it may be open, and then not every system lets it be replaced
            whole.unlink()
            return
        whole.replace(target)
        _sync_folder(target.parent)

    def keep_bytes(self, data: bytes) -> str:
        """Keep bytes and return their SHA-256."""
        new = self.incoming()
        try:
            new.write(data)
            sha256 = new.finish()
            self.keep(new.path, sha256)
        finally:
            new.drop()
        return sha256

    def keep_file(self, path: Path) -> str:
        """Keep a file that was made in a work folder; return its SHA-256."""
        with path.open("r+b") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
            os.fsync(file.fileno())
        self.keep(path, sha256)
        return sha256

    def path(self, sha256: str) -> Path:
        """Return where a file lies.

        Raises
        ------
        ValueError
            If it is no SHA-256 in small hexadecimal letters.
        """
        if not _HASH.fullmatch(sha256):
            message = "not a SHA-256"
            raise ValueError(message)
        return self._kept / sha256[:2] / sha256

    def has(self, sha256: str) -> bool:
        """Tell whether a file is here."""
        return self.path(sha256).is_file()

    def free_bytes(self) -> int:
        """Return the room left on the disk."""
        return shutil.disk_usage(self._home).free

    def work_folder(self) -> Path:
        """Make a folder for one piece of work."""
        return Path(tempfile.mkdtemp(prefix="work-", dir=self._work))

    def clear(self, folder: Path) -> None:
        """Remove a work folder."""
        _remove(folder)

    def hashes(self) -> set[str]:
        """Return the hash of every kept file."""
        return {path.name for path in self._kept.glob("??/*")}

    def bring_back(self, wanted: Iterable[str]) -> int:
        """Take files out of the bin that something refers to again; return how many."""
        found = [one for one in wanted if not self.has(one) and (self._bin / one).is_file()]
        for sha256 in found:
            self.keep(self._bin / sha256, sha256)
        return len(found)

    def empty_bin(self, before_s: float) -> int:
        """Remove for good what went into the bin before a time; return how many files."""
        old = [path for path in self._bin.iterdir() if path.stat().st_mtime < before_s]
        for path in old:
            _remove(path)
        return len(old)

    def usage(self) -> Usage:
        """Return how much room the kept files and the bin take, and how much is left."""
        kept = [path.stat().st_size for path in self._kept.glob("??/*")]
        binned = [path.stat().st_size for path in self._bin.iterdir()]
        return Usage(
            files=len(kept),
            kept_bytes=sum(kept),
            bin_bytes=sum(binned),
            free_bytes=self.free_bytes(),
        )

    def sweep(self, find_wanted: Callable[[], Container[str]]) -> int:
        """Put files that nothing refers to into the bin; return how many.

        Parameters
        ----------
        find_wanted : callable
            Returns the hash of every file that something refers to.
        """
        removed = 0
        with self._placing:
            wanted = find_wanted()
            for path in list(self._kept.glob("??/*")):
                if path.name not in wanted:
                    path.replace(self._bin / path.name)
                    os.utime(self._bin / path.name)  # the grace begins now
                    removed += 1
        return removed


def make_private(folder: Path) -> None:
    """Let nobody but its owner into a data folder, as far as the system knows owners."""
    with suppress(OSError):
        folder.chmod(_PRIVATE_FOLDER)
    for path in folder.rglob("*"):
        with suppress(OSError):
            path.chmod(_PRIVATE_FOLDER if path.is_dir() else OWNER_ONLY)


def place_under_name(source: Path, target: Path) -> None:
    """Make a kept file appear under its own name: as a link where possible, else a copy."""
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(source, target)
    except FileExistsError:
        raise  # copying would write into whatever kept file it is a link to
    except OSError:
        shutil.copyfile(source, target)


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with suppress(OSError):
            path.unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    """Bring a folder's entries to the disk, where the system lets a folder be opened."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
