"""Files named in the wrong place: told by their endings, before anything is read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from canassist.cli.files.real_place import is_folder
from canassist.cli.guidance.usage_messages import DATABASE_ENDINGS
from canassist.errors import InputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

_PAGE_ENDINGS: Final = frozenset({".html", ".htm", ".pdf"})
_LONG_DASHES: Final = ("\u2013", "\u2014", "\u2212")
_WILD: Final = frozenset("*?[")


def check_names(logs: Sequence[Path], dbc: Sequence[Path], profile: Path | None) -> None:
    """Refuse files that stand where another kind belongs.

    Raises
    ------
    UsageError
        Naming the file, and where it belongs.
    InputError
        If a log is a folder, or a pattern that no file fits.
    """
    for log in logs:
        _check_log(log, bool(dbc))
    for path in dbc:
        if path.suffix.lower() == ".toml":
            problem = f"{path.name}: is a profile, not a signal database."
            raise UsageError(problem, f"Write: --profile {path}")
    if profile is not None and profile.suffix.lower() in DATABASE_ENDINGS:
        problem = f"{profile.name}: is a signal database, not a profile."
        raise UsageError(problem, f"Write: --dbc {profile}")


def _check_log(log: Path, has_dbc: bool) -> None:
    ending = log.suffix.lower()
    if str(log).startswith(_LONG_DASHES):
        problem = f"{log}: begins with a long dash, as word processors write it."
        raise UsageError(problem, "Type two short dashes: --dbc, not \u2013dbc.")
    if ending in DATABASE_ENDINGS:
        problem = f"{log.name}: is a signal database, and stands where a log belongs."
        fix = "Name the ride's log first" if has_dbc else f"Write: canassist report LOG --dbc {log}"
        raise UsageError(problem, fix + ("." if has_dbc else ""))
    if ending == ".toml":
        problem = f"{log.name}: is a profile or case file, and stands where a log belongs."
        raise UsageError(problem, f"Write: canassist report LOG --profile {log}")
    if ending in _PAGE_ENDINGS:
        problem = f"{log.name}: is a page, and stands where a log belongs."
        there = log.is_file() and ending != ".pdf"
        fix = f"canassist verify {log}" if there else f"canassist report LOG -o {log}"
        raise UsageError(problem, f"Write: {fix}")
    if _WILD & set(log.name) and not log.exists():
        problem = f"{log}: no file fits this pattern."
        raise InputError(problem, "Check the folder, or write the names out.")
    if is_folder(log):
        problem = f"{log}: is a folder, not a log."
        fix = f"Name its logs, or look at all of them: canassist screen {log} -o fleet/"
        raise InputError(problem, fix)
