"""What the screening folder remembers: which file has which content, so that a rerun is free."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Final

from canassist.output import write_whole

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self, TextIO

    from canassist.screen.find import FoundLog

_NAME: Final = "ledger.jsonl"


class Ledger:
    """Content hash by address, size and time of change; a line is added as each log ends.

    Parameters
    ----------
    folder : path
        Where it lies; made where missing.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / _NAME
        self._known: dict[str, tuple[int, int, str]] = {}
        self._open: TextIO | None = None
        if self._path.is_file():
            self._read()

    def _read(self) -> None:
        for line in self._path.read_text("utf-8", "replace").splitlines():
            try:
                log, size, changed_ns, sha256 = json.loads(line)
            except ValueError:
                continue  # the last line of a run that was killed; that log is read again
            self._known[log] = (size, changed_ns, sha256)

    def sha256(self, found: FoundLog) -> str:
        """Return a file's hash, empty where it is new or has changed."""
        size, changed_ns, sha256 = self._known.get(found.log, (-1, -1, ""))
        return sha256 if (size, changed_ns) == (found.size, found.changed_ns) else ""

    def note(self, found: FoundLog, sha256: str) -> None:
        """Remember a file's hash, on disk at once."""
        facts = (found.size, found.changed_ns, sha256)
        if self._known.get(found.log) == facts:
            return
        self._known[found.log] = facts
        if self._open is not None:
            self._open.write(_line(found.log, facts))
            self._open.flush()

    def __enter__(self) -> Self:
        content = "".join(_line(log, facts) for log, facts in sorted(self._known.items()))
        write_whole({self._path: content.encode("utf-8", "replace")})
        self._open = self._path.open("a", encoding="utf-8", errors="replace")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._open is not None:
            self._open.close()
            self._open = None


def _line(log: str, facts: tuple[int, int, str]) -> str:
    return json.dumps([log, *facts]) + "\n"
