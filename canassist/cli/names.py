"""Names of files that a command writes when none is given."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from canassist.errors import UsageError

LOG_ENDINGS: Final = frozenset(
    {
        ".log", ".txt", ".asc", ".blf", ".mf4", ".mdf", ".trc", ".csv", ".db", ".sqlite",
        ".sqlite3", ".pcap", ".pcapng", ".gz", ".xz", ".zst", ".bz2", ".zip",
    }
)  # fmt: skip


def stem(path: Path) -> str:
    """Return a log's name with all known endings dropped: ``ride.log.gz`` is ``ride``."""
    name = path.name
    while Path(name).suffix.lower() in LOG_ENDINGS and Path(name).stem:
        name = Path(name).stem
    return name


def report_paths(output: Path | None, default_name: str) -> tuple[Path, Path]:
    """Return where the page and its JSON go.

    Raises
    ------
    UsageError
        If the page would carry the JSON's name.
    """
    page = output or Path(default_name)
    beside = page.with_suffix(".json")
    if beside == page:
        problem = f"{page.name}: the page cannot end in .json, its data goes there."
        raise UsageError(problem, "Give -o a name that ends in .html.")
    return page, beside
