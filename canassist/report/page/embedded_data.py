"""The result as it stands in a page: as plain JSON, or packed where there is much of it."""

from __future__ import annotations

import zlib
from typing import Final

from canassist.report.page import packing

PLAIN_BYTES: Final = 400_000
"""Above this the data of a page is packed: ten thousand events would be longer than the rest."""
MOST_BYTES: Final = 256_000_000
"""Nobody's report holds more; a page that claims to is not read."""

UNSOUND_CODES: Final = (
    *(code for code in range(0x20) if chr(code) not in "\t\n"),
    *range(0x7F, 0xA0),
    *range(0x200E, 0x2010),
    *range(0x202A, 0x202F),
    *range(0x2066, 0x206A),
    0xFEFF,
    *range(0xD800, 0xE000),
)
"""Control characters, halves of surrogate pairs and marks that turn the direction of writing."""
_ESCAPES: Final = {code: f"\\u{code:04x}" for code in (ord("<"), *UNSOUND_CODES)}


def script_text(data: bytes) -> str:
    """Return JSON as it may stand in a script element.

    "<", and whatever `sound_text` would replace, is written as an escape.
    """
    return data.decode("utf-8").translate(_ESCAPES)


def embedded_text(data: bytes) -> str:
    """Return a result's JSON as it stands in its page."""
    return script_text(data) if len(data) <= PLAIN_BYTES else packing.pack(data)


def is_packed(text: str) -> bool:
    """Tell whether data in a page is packed: JSON of ours starts with a brace."""
    return text[:1] in {"0", "1", "2", "3"}


def embedded_data(text: str, most: int = MOST_BYTES) -> bytes:
    """Return the JSON of a page, packed or not.

    Parameters
    ----------
    text : str
        As it stands in the page.
    most : int
        Most bytes that are unpacked.

    Raises
    ------
    ValueError
        If it is packed and damaged, or claims to be larger than any report.
    """
    if not is_packed(text):
        return text.encode("utf-8", "surrogatepass")
    opened = zlib.decompressobj(wbits=31)
    try:
        data = opened.decompress(packing.decode(text), most)
    except zlib.error as error:
        message = f"not packed by this tool: {error}"
        raise ValueError(message) from error
    if not opened.eof:
        message = "not packed by this tool: it has no end, or is too long"
        raise ValueError(message)
    return data
