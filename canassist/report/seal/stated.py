"""What a page states as data: whether it has the parts that are looked at, and its files' names."""

from __future__ import annotations

import re
from typing import Any

Json = dict[str, Any]  # Any: JSON values have any JSON type


def is_result(found: Any) -> bool:  # noqa: ANN401 - any JSON value
    """Tell whether data have the parts that verifying reads: anyone can seal anything."""
    try:
        texts = [item[name] for item in found["inputs"] for name in ("role", "name", "sha256")]
        texts += [found["tool"]["version"]]
        texts += [item["where"] for item in _problems(found)]
        moments = [item["at_s"] for item in found.get("moments", ())]
        own, names = _of_sides(found)
    except (AttributeError, KeyError, TypeError):
        return False
    return (
        all(isinstance(text, str) for text in (*texts, *names))
        and all(isinstance(time_s, (int, float)) for time_s in moments)
        and own <= {item["sha256"] for item in found["inputs"]}
    )


def _problems(found: Json) -> list[Json]:
    return list(found["log"]["problems"]) if "log" in found else []


def _of_sides(found: Json) -> tuple[set[str], list[str]]:
    """Return the hashes of the logs that a comparison's rides name, and the sides' names."""
    if "sides" not in found:
        return set(), []
    sides = [found["sides"][label] for label in "ab"]
    own = {log["sha256"] for side in sides for ride in side["rides"] for log in ride["logs"]}
    return own, [side["name"] for side in sides]


def with_names_of(again: Json, stated: Json) -> Json:
    """Give files the names that they have in the report: a copy may be renamed.

    Parameters
    ----------
    again, stated : dict
        A result made anew, and the one that a page carries, of the same files.
    """
    names = {(item["role"], item["sha256"]): item["name"] for item in stated["inputs"]}
    inputs = [
        item | {"name": names.get((item["role"], item["sha256"]), item["name"])}
        for item in again["inputs"]
    ]
    changed = {
        new["name"]: old["name"]
        for new, old in zip(again["inputs"], inputs, strict=True)
        if new["name"] != old["name"]
    }
    if "sides" in stated:
        _rename_rides(again, stated)
    elif changed:
        _rename_problems(again, changed)
    return again | {"inputs": inputs}


def _rename_rides(again: Json, stated: Json) -> None:
    names = {item["sha256"]: item["name"] for item in stated["inputs"]}
    for side in again["sides"].values():
        for ride in side["rides"]:
            ride["logs"] = [log | {"name": names[log["sha256"]]} for log in ride["logs"]]


def _rename_problems(again: Json, changed: dict[str, str]) -> None:
    words = "|".join(re.escape(name) for name in changed)
    whole = re.compile(rf"(?<![\w.-])(?:{words})(?![\w-]|\.\w)")
    for item in _problems(again):
        for key in ("where", "what"):
            item[key] = whole.sub(lambda found: changed[found.group()], item[key])
