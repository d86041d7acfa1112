"""Where the full report of a log lies, and whether it is there already."""

from __future__ import annotations

import json
from pathlib import Path, PurePosixPath
from typing import Any, Final

from canassist.report import mask_vins
from canassist.version import VERSION

_NAME_LETTERS: Final = 80
_HASH_LETTERS: Final = 12


def report_path(folder: Path, log: str, sha256: str) -> Path:
    """Return a report's place: the log's name, masked, and the start of its hash."""
    name = mask_vins(PurePosixPath(log.replace("\\", "/")).name)
    plain = "".join(
        char if char.isascii() and (char.isalnum() or char in "._-") else "_" for char in name
    )
    return folder / f"{plain[:_NAME_LETTERS]}.{sha256[:_HASH_LETTERS]}.html"


def report_is_there(page: Path, inputs: frozenset[str]) -> bool:
    """Tell whether a whole report of exactly these inputs by this version lies there.

    Parameters
    ----------
    page : path
        The report; its data, written after it, lie beside it.
    inputs : frozenset of str
        SHA-256 of log, databases and profile.
    """
    try:
        data: Any = json.loads(page.with_suffix(".json").read_bytes())  # Any: JSON
        version = data["tool"]["version"]
        made_of = {item["sha256"] for item in data["inputs"]}
    except (OSError, ValueError, KeyError, TypeError):
        return False
    return page.is_file() and version == VERSION and made_of == inputs
