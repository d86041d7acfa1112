"""Databases and a profile that lie in a zip beside its logs."""

from __future__ import annotations

import tempfile
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from canassist import decode, frames
from canassist.errors import CanassistError
from canassist.model import Problem
from canassist.profile import read_profile

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canassist.frames import PackedFile
    from canassist.model import Profile

_DATABASES: Final = frozenset({".dbc", ".kcd", ".sym", ".arxml"})
_PROFILE: Final = ".toml"
_ARCHIVE: Final = ".zip"


@dataclass(frozen=True, slots=True)
class PackedKnowledge:
    """What archives hold besides logs.

    Attributes
    ----------
    databases : tuple of Path
        Used after those given.
    profile : Profile or None
        Used where none is given.
    members : frozenset of str
        Names of all these members.
    problems : tuple of Problem
        What is used, and what is not and why.
    """

    databases: tuple[Path, ...] = ()
    profile: Profile | None = None
    members: frozenset[str] = frozenset()
    problems: tuple[Problem, ...] = ()


@contextmanager
def packed_knowledge(logs: Sequence[Path], *, profile_given: bool) -> Iterator[PackedKnowledge]:
    """Take databases and a profile out of the archives among logs, for as long as they are read.

    A member that is of no use is named, and costs the others nothing.
    """
    archives = [path for path in logs if path.suffix.lower() == _ARCHIVE]
    if not archives:
        yield PackedKnowledge()
        return
    with tempfile.TemporaryDirectory(prefix="canassist-") as folder:
        yield _sorted_out(
            frames.unpacked(archives, (*_DATABASES, _PROFILE), Path(folder)), profile_given
        )


def _sorted_out(found: list[PackedFile], profile_given: bool) -> PackedKnowledge:
    databases: list[Path] = []
    profile: Profile | None = None
    problems = []
    for one in found:
        what = "a database of the archive itself; used after those given"
        try:
            if one.path.suffix.lower() in _DATABASES:
                decode.load_databases([one.path])
                databases.append(one.path)
            elif profile_given or profile is not None:
                what = "a profile of the archive itself; not used, another one is"
            else:
                profile = read_profile(one.path)
                what = "a profile of the archive itself; used, for none is given"
        except CanassistError as error:
            what = f"left out: {error.problem}"
        problems.append(Problem(f"{one.archive}, {one.name}", what))
    return PackedKnowledge(
        tuple(databases), profile, frozenset(one.name for one in found), tuple(problems)
    )
