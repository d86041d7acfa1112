"""Words and figures: fills the sentences of ``texts.toml``, formats every number alike."""

from __future__ import annotations

import math
import tomllib
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canassist.model import Estimate

_SECONDS_ONLY_BELOW: Final = 100.0  # s; longer times read better in minutes
_TENTHS_BELOW: Final = 10.0  # one more decimal below this

_NARROW_OHM: Final = 0.002  # a narrower interval needs a decimal to be seen

_UNIT_DECIMALS: Final = {
    "km/h": 0,
    "rpm": 0,
    "V": 1,
    "degC": 0,
    "%": 0,
    "N·m": 1,
    "A": 0,
    "deg": 0,
}
_UNIT_SHOWN: Final = {"degC": "°C", "deg": "°"}


@cache
def _texts() -> dict[str, Any]:  # Any: tables of texts, nested
    raw = resources.files("canassist.conclude.wording").joinpath("texts.toml").read_text("utf-8")
    return tomllib.loads(raw)


def _entry(key: str) -> object:
    found: Any = _texts()  # Any: walks down nested tables
    for part in key.split("."):
        found = found[part]
    return found


def has_text(key: str) -> bool:
    """Tell whether a sentence of this name exists."""
    try:
        return isinstance(_entry(key), str)
    except (KeyError, TypeError):
        return False


def say(key: str, **figures: str | int) -> str:
    """Return the sentence ``key`` (dotted) with its figures filled in.

    Raises
    ------
    KeyError
        If there is no such sentence, or a figure that it needs is not given.
    """
    text = _entry(key)
    if not isinstance(text, str):
        raise KeyError(key)
    return text.format_map(figures)


def number(value: float | None, decimals: int) -> str:
    """Return a plain number; the word for unknown where there is none."""
    if value is None or not math.isfinite(value):
        return say("word.unknown")
    text = f"{value:.{decimals}f}"
    is_zero = not any(digit in "123456789" for digit in text)
    return text.lstrip("-") if is_zero else text


def quantity(value: float | None, unit: str, decimals: int | None = None) -> str:
    """Return a value with its unit; decimals by unit where none are given."""
    digits = _UNIT_DECIMALS.get(unit, 1) if decimals is None else decimals
    shown = number(value, digits)
    if value is None or not math.isfinite(value) or unit == "-":
        return shown
    return f"{shown} {_UNIT_SHOWN.get(unit, unit)}"


def pair(value: float | None, limit: float, unit: str) -> tuple[str, str]:
    """Return a value and its limit, with more decimals where they would read the same."""
    digits = _UNIT_DECIMALS.get(unit, 1)
    if value is None or not math.isfinite(value):
        return say("word.unknown"), quantity(limit, unit)
    most = digits + 2
    while digits < most and value != limit and number(value, digits) == number(limit, digits):
        digits += 1
    return quantity(value, unit, digits), quantity(limit, unit, digits)


def volts(value: float | None) -> str:
    """Return a voltage."""
    return quantity(value, "V")


def degrees(value: float | None) -> str:
    """Return a temperature."""
    return quantity(value, "degC")


def percent(value: float | None) -> str:
    """Return a percentage that is given in percent."""
    return quantity(value, "%")


def share(value: float | None) -> str:
    """Return a share of 1 in percent."""
    return quantity(None if value is None else value * 100.0, "%")


def milliohms(value: float | None) -> str:
    """Return a resistance that is given in ohms."""
    return quantity(None if value is None else value * 1000.0, "mΩ", 0)


def torque(value: float | None, decimals: int = 1) -> str:
    """Return a torque."""
    return quantity(value, "N·m", decimals)


def sided_torque(value: float | None, *, sign_known: bool) -> str:
    """Return a torque to two decimals with its side, such as ``0.74 N·m to the right``."""
    if value is None or not math.isfinite(value):
        return say("word.unknown")
    shown = torque(abs(value), 2)
    if not sign_known:
        return shown
    return say("word.to_right" if value > 0.0 else "word.to_left", torque=shown)


def signed_torque(value: float) -> str:
    """Return a torque to two decimals with its sign always shown."""
    return f"{value:+.2f} N·m"


def resistance(estimate: Estimate, limit_ohm: float) -> str:
    """Return a resistance, its 90 % interval and its limit: ``52 mΩ (48 to 57, limit 30 mΩ)``."""
    decimals = 0 if (estimate.high - estimate.low) >= _NARROW_OHM else 1
    middle, low, high = (
        number(value * 1000.0, decimals) for value in (estimate.value, estimate.low, estimate.high)
    )
    return say(
        "word.with_limit", value=f"{middle} mΩ", low=low, high=high, limit=milliohms(limit_ohm)
    )


def which(count: int, among: int) -> dict[str, str]:
    """Return which reductions are meant: "the one reduction", "all 4", "2 of 4"."""
    words = {1: "word.only", 2: "word.both"}
    key = words.get(among, "word.every") if count == among else "word.some"
    text = say(key, n=count, all=among)
    return {"which": text, "Which": text[:1].upper() + text[1:]}


def duration(seconds: float | None) -> str:
    """Return a duration: ``0.4 s``, ``27 s``, ``2 min 5 s``."""
    if seconds is None or not math.isfinite(seconds):
        return say("word.unknown")
    if seconds < _TENTHS_BELOW:
        return f"{seconds:.1f} s"
    if seconds < _SECONDS_ONLY_BELOW:
        return f"{seconds:.0f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


def clock(seconds: float) -> str:
    """Return a time of the log as ``m:ss``, the way ``--at`` takes it."""
    minutes, rest = divmod(math.floor(seconds), 60)
    return f"{minutes}:{rest:02d}"


def times(count: int) -> str:
    """Return how often: once, twice, 4 times."""
    words = {1: "word.once", 2: "word.twice"}
    return say(words[count]) if count in words else say("word.times", n=count)


def listed(words: Iterable[str]) -> str:
    """Return words as a list in a sentence: ``a, b and c``."""
    *most, last = words
    return say("word.and", most=", ".join(most), last=last) if most else last


def channel_name(channel: str) -> str:
    """Return a channel's name in plain words."""
    key = f"word.channel.{channel}"
    return say(key) if has_text(key) else channel.replace("_", " ")


def channel_names(channels: Iterable[str]) -> str:
    """Return several channels' names in plain words, as a list in a sentence."""
    return listed([channel_name(name) for name in channels])
