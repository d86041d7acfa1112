"""Files of other kinds that lie in an archive beside its logs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.errors import CanassistError
from canassist.frames.unpack.inflate import InflationLimits
from canassist.frames.unpack.unpack import find_parts, open_part
from canassist.model import ReadReport

if TYPE_CHECKING:
    from collections.abc import Iterable

_LARGEST: Final = 32 << 20
_MOST: Final = 50


class PackedFile(NamedTuple):
    """A file taken out of an archive: where it is now, and the names that it goes by."""

    path: Path
    name: str
    archive: str


def unpacked(archives: Iterable[Path], endings: Iterable[str], folder: Path) -> list[PackedFile]:
    """Take the files with some endings out of archives, into a folder each.

    What is damaged or larger than 32 MB stays where it is.
    """
    wanted = frozenset(endings)
    found: list[PackedFile] = []
    for archive in archives:
        try:
            parts = find_parts(archive, limits=InflationLimits(), report=ReadReport().add_problem)
        except CanassistError:
            continue  # the reading of the logs says why
        for part in parts:
            if part.member is None or part.ending not in wanted or len(found) == _MOST:
                continue
            report = ReadReport()
            try:
                with open_part(part, report.add_problem) as opened:
                    data = opened.stream.read(_LARGEST + 1)
            except (CanassistError, OSError):
                continue
            if len(data) <= _LARGEST and not report.problems:
                place = folder / str(len(found))
                place.mkdir()
                name = Path(part.name).name[-100:]
                (place / name).write_bytes(data)
                found.append(PackedFile(place / name, part.name, archive.name))
    return found
