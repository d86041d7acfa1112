"""Names of files that a command writes when none is given."""

from __future__ import annotations

from pathlib import Path
from typing import Final

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
