"""A profile back to TOML: what it gives and no more, in the order of the README."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import TYPE_CHECKING, Final

from canassist.model import LIMIT_NAMES

if TYPE_CHECKING:
    from canassist.model import AssistMap, ChannelSpec, LearnedFigure, Profile

_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
_REPLACED: Final = {
    "derate_start_c": "temperature",
    "derate_zero_c": "temperature",
    "derate_start_v": "supply",
    "derate_zero_v": "supply",
}


def profile_toml(profile: Profile) -> str:
    """Return a profile as TOML text that reads back as the same profile.

    Limits that a curve of ``[protection]`` replaces are told by the curve alone.
    """
    parts = [
        ["profile = 2"],
        _vehicle(profile),
        _channels(profile.channels),
        *_integrity(profile),
        _table("limits", _limits(profile)),
        _table("status", _status(profile)),
        _assist_map(profile.assist_map),
        _table("protection", _fields_of(profile.protection)),
        _table("supply", _fields_of(profile.supply)),
        _learned(profile.learned),
    ]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def _table(name: str, entries: Iterable[tuple[str, object]]) -> list[str]:
    lines = [f"{_key(key)} = {toml_value(value)}" for key, value in entries]
    return [f"[{name}]", *lines] if lines else []


def _vehicle(profile: Profile) -> list[str]:
    entries: list[tuple[str, object]] = []
    if profile.name:
        entries.append(("name", profile.name))
    if "vehicle.nominal_v" in profile.given:
        entries.append(("nominal_v", profile.nominal_v))
    if profile.bit_rate_bps is not None:
        entries.append(("bit_rate_bps", profile.bit_rate_bps))
    return _table("vehicle", entries)


def _channels(channels: Mapping[str, ChannelSpec]) -> list[str]:
    entries: list[tuple[str, object]] = []
    for name, spec in channels.items():
        told = {
            "signal": spec.signal,
            "scale": spec.scale,
            "offset": spec.offset,
            "invalid": list(spec.invalid) or None,
            "stale_after_s": spec.stale_after_s,
        }
        told = {key: value for key, value in told.items() if value is not None}
        entries.append((name, spec.signal if len(told) == 1 else told))
    return _table("channels", entries)


def _integrity(profile: Profile) -> list[list[str]]:
    return [_table("[integrity]", _fields_of(spec)) for spec in profile.integrity]


def _limits(profile: Profile) -> list[tuple[str, object]]:
    return [
        (name, getattr(profile.limits, name))
        for name in LIMIT_NAMES
        if f"limits.{name}" in profile.given
        and not (name in _REPLACED and getattr(profile.protection, _REPLACED[name]))
    ]


def _status(profile: Profile) -> list[tuple[str, object]]:
    words = {"reduced": profile.status_reduced, "off": profile.status_off}
    return [(name, sorted(texts)) for name, texts in words.items() if texts]


def _assist_map(table: AssistMap | None) -> list[str]:
    if table is None:
        return []
    return _table(
        "assist_map",
        [
            ("speed_kph", table.speed_kph),
            *table.gains.items(),
            ("driver_deadband_nm", table.driver_deadband_nm),
            ("max_assist_nm", table.max_assist_nm),
        ],
    )


def _learned(learned: Mapping[str, LearnedFigure]) -> list[str]:
    return _table("learned", [(name, dict(_fields_of(figure))) for name, figure in learned.items()])


def _fields_of(value: object) -> list[tuple[str, object]]:
    """Return what a frozen value tells, in the order of its fields."""
    told = [(item.name, getattr(value, item.name)) for item in fields(value)]  # type: ignore[arg-type]  # callers pass dataclasses only
    return [
        (name, sorted(entry) if isinstance(entry, frozenset) else entry)
        for name, entry in told
        if entry is not None and entry not in ("", (), frozenset())
    ]


def toml_value(value: object) -> str:
    """Return one value in TOML.

    Raises
    ------
    TypeError
        If it is of a kind that no profile holds.
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float) and math.isfinite(value):
        return repr(value)
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_key(str(key))} = {toml_value(item)}" for key, item in value.items())
        return "{ " + inner + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    raise TypeError(f"no profile holds {value!r}")


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else toml_value(key)
