"""Names that come from outside, made fit for a folder, a header or the shelf."""

from __future__ import annotations

import re
import unicodedata
from typing import Final
from urllib.parse import quote

LONGEST: Final = 120
LONGEST_TITLE: Final = 200
LONGEST_TEXT: Final = 4000
LONGEST_SENTENCE: Final = 600
_UNFIT: Final = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]')
_RESERVED: Final = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?")
LOG_ENDINGS: Final = (
    ".log", ".txt", ".asc", ".blf", ".mf4", ".mdf", ".trc", ".csv", ".db", ".sqlite", ".sqlite3",
    ".pcap", ".pcapng", ".gz", ".xz", ".zst", ".bz2", ".zip",
)  # fmt: skip
"""How logs are named; the page leaves other files of a folder out."""

DATABASE_ENDINGS: Final = (".dbc", ".kcd", ".sym", ".arxml")
PROFILE_ENDING: Final = ".toml"
_CLOCK: Final = re.compile(r"(?:(\d{1,3}):)?(\d{1,4}):([0-5]?\d(?:\.\d{1,3})?)")


def file_name(text: str) -> str:
    """Return a name without folder that every system takes; its ending is kept."""
    name = unicodedata.normalize("NFC", text.replace("\\", "/").rsplit("/", 1)[-1])
    name = "".join(letter if letter.isprintable() else "_" for letter in name)
    name = _UNFIT.sub("_", name).strip(" .")
    if _RESERVED.fullmatch(name):
        name = f"_{name}"
    if len(name.encode()) > LONGEST:
        name = _cut(name)
    return name or "file"


def _cut(name: str) -> str:
    head, ending = name[:-24], name[-24:]
    room = LONGEST - len(ending.encode())
    return head.encode()[: max(0, room)].decode("utf-8", "ignore") + ending


def stem(name: str) -> str:
    """Return a log's name with all known endings dropped: ``ride.log.gz`` is ``ride``."""
    shown = file_name(name)
    while (ending := _log_ending(shown)) and len(ending) < len(shown):
        shown = shown[: -len(ending)]
    return shown


def _log_ending(name: str) -> str:
    return next((ending for ending in LOG_ENDINGS if name.lower().endswith(ending)), "")


def plain_text(text: str) -> str:
    """Return text as it is kept: without control characters, of bounded length."""
    kept = "".join(
        letter for letter in text.replace("\r\n", "\n") if letter.isprintable() or letter == "\n"
    )
    return kept[:LONGEST_TEXT].strip()


def shortened(text: str) -> str:
    """Return a sentence that may name something very long, such as a hostile file's name."""
    if len(text) <= LONGEST_SENTENCE:
        return text
    half = LONGEST_SENTENCE // 2
    return f"{text[:half]} ... {text[-half:]}"


def one_line(text: str) -> str:
    """Return text fit for a name on the shelf."""
    return " ".join(plain_text(text).split())[:LONGEST_TITLE].strip()


def role_of(name: str) -> str:
    """Tell by its ending what a file is: ``dbc``, ``profile`` or ``log``."""
    ending = name.lower()
    if ending.endswith(DATABASE_ENDINGS):
        return "dbc"
    return "profile" if ending.endswith(PROFILE_ENDING) else "log"


def as_download(name: str) -> str:
    """Return a header value that makes the browser save a file under a name (RFC 6266)."""
    plain = re.sub(r"[^A-Za-z0-9._-]", "_", name)
    return f"attachment; filename=\"{plain}\"; filename*=UTF-8''{quote(name, safe='')}"


def download_name(title: str, ending: str) -> str:
    """Return the name of a file made of what has this title."""
    return f"{stem(title.replace('/', '_'))}{ending}"


def clock_moments(text: str) -> list[float]:
    """Return the moments in a text, such as ``3:25, 7:10``, in seconds; the rest is passed over."""
    found = []
    for hours, minutes, seconds in _CLOCK.findall(text):
        found.append(int(hours or 0) * 3600.0 + int(minutes) * 60.0 + float(seconds))
    return found[:20]
