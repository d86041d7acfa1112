"""TOML that a person wrote: read in time that follows its size, whatever it nests."""

from __future__ import annotations

import re
import tomllib
from typing import Any, Final

_LARGEST: Final = 1 << 20  # letters; no profile or case file comes near
_DEEPEST: Final = 64  # dots in one key: each level of a dotted key costs more than the one before
_BETWEEN_KEYS: Final = re.compile(r"[=,{}\[\]\n#]")


class BeyondBoundsError(tomllib.TOMLDecodeError):
    """It is larger, or nested deeper, than anything that a person writes."""


def loads(text: str) -> dict[str, Any]:  # Any: as TOML's own types
    """Read TOML.

    Raises
    ------
    tomllib.TOMLDecodeError
        If it is none.
    BeyondBoundsError
        If it is larger or nested deeper than anything that a person writes.
    """
    if len(text) > _LARGEST:
        raise BeyondBoundsError("larger than any file of settings")
    if any(piece.count(".") > _DEEPEST for piece in _BETWEEN_KEYS.split(text)):
        raise BeyondBoundsError("holds a key nested beyond all bounds")
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise BeyondBoundsError("holds a list beyond all bounds") from error
    except tomllib.TOMLDecodeError:
        raise
    except ValueError as error:  # thousands of digits
        raise BeyondBoundsError("holds a number beyond all bounds") from error
