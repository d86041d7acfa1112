"""RFC 8785 canonical bytes of a JSON value, fast where it is made of plain types.

What is rare (a number that Python and the standard spell differently, text beyond 16 bits in a
key) is left to `rfc8785`.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from json.encoder import encode_basestring
from typing import Any, Final

import rfc8785

_WORDS: Final = {True: "true", False: "false", None: "null"}
_LARGEST: Final = 2**53 - 1
"""No whole number beyond is one that every reader of JSON keeps."""


def canonical(value: Any) -> bytes:  # noqa: ANN401 - any JSON value
    """Return RFC 8785 bytes; half a surrogate pair, which no UTF-8 can hold, is replaced."""
    try:
        return _text(value).encode()
    except (UnicodeEncodeError, rfc8785.CanonicalizationError):
        return rfc8785.dumps(_sound(value))


def _text(value: Any) -> str:  # noqa: ANN401 - any JSON value
    kind = type(value)
    if kind is str:
        return encode_basestring(value)
    if kind is float:
        return _number(value)
    if kind is dict:
        return _object(value)
    if kind is list or kind is tuple:
        return f"[{','.join([_text(item) for item in value])}]"
    return _rest(value)


def _rest(value: Any) -> str:  # noqa: ANN401 - any JSON value
    if value is None or value is True or value is False:
        return _WORDS[value]
    if type(value) is int and -_LARGEST <= value <= _LARGEST:
        return str(value)
    return rfc8785.dumps(value).decode()


def _object(value: dict[Any, Any]) -> str:
    try:
        in_order = _in_order(tuple(value))
    except UnicodeEncodeError:  # half a surrogate pair: the library says so
        return rfc8785.dumps(value).decode()
    parts = [
        name + (_number(item) if type(item := value[key]) is float else _text(item))
        for key, name in in_order
    ]
    return f"{{{','.join(parts)}}}"


@lru_cache(maxsize=1024)
def _in_order(keys: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    """Return keys in the standard's order, by 16-bit units, each also as it is written."""
    in_order = sorted(keys, key=lambda key: key.encode("utf-16-be"))
    return tuple((key, f"{encode_basestring(key)}:") for key in in_order)


@lru_cache(maxsize=16_384)
def _number(value: float) -> str:
    text = repr(value)
    if "e" in text or "n" in text:  # with an exponent, not a number, infinite
        return rfc8785.dumps(value).decode()
    return text.removesuffix(".0") if value else "0"


def _sound(value: Any) -> Any:  # noqa: ANN401 - any JSON value
    if isinstance(value, str):
        return value.encode("utf-16", "surrogatepass").decode("utf-16", "replace")
    if isinstance(value, Mapping):
        return {_sound(key): _sound(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_sound(item) for item in value]
    return value
