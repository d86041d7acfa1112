"""``RIDE.case.toml``: the marks and what the recorder lost, beside the log."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

from canassist.record.log_annotations import MarkKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from canassist.record.log_annotations import Mark, RecorderHole, RecorderLoss

_HEAD: Final = """\
# Written by `canassist record`; `canassist report` takes it from beside the log.
# Words of the case may be added on top: complaint = "...", vehicle = "...", odometer = "...".
"""


def case_text(
    *,
    log: str,
    marks: Sequence[Mark],
    losses: Iterable[RecorderLoss],
    holes: Iterable[RecorderHole],
    figures: Mapping[str, str | int | float | bool | Sequence[str]],
) -> str:
    """Return the file's text.

    Parameters
    ----------
    log : str
        Name of the log, without folder.
    figures : mapping
        Further keys of ``[recording]``: frames, channels, ...
    """
    heavy = [one for one in marks if one.kind is MarkKind.HEAVY]
    lines = [_HEAD.rstrip("\n")]
    lines.append(f"at = [{', '.join(_quoted(minutes(one.at_s)) for one in heavy)}]")
    lines.append(f"at_log = [{', '.join(f'{one.at_log_s:.6f}' for one in heavy)}]")
    lines += ["", "[recording]", f"log = {_quoted(log)}"]
    lines += [f"{name} = {_value(value)}" for name, value in figures.items()]
    for one in marks:
        if one.kind is MarkKind.NOTE:
            lines += _table("notes", {
                "at": minutes(one.at_s), "at_log": one.at_log_s, "text": one.text,
            })  # fmt: skip
    for loss in losses:
        frames = {} if loss.frames is None else {"frames": loss.frames}
        lines += _table("losses", {
            "channel": loss.channel, "at_log": loss.at_log_s, **frames, "why": loss.why,
        })  # fmt: skip
    for hole in holes:
        end = {} if hole.end_log_s is None else {"end_log": hole.end_log_s}
        lines += _table("holes", {
            "channel": hole.channel, "start_log": hole.start_log_s, **end, "why": hole.why,
        })  # fmt: skip
    return "\n".join(lines) + "\n"


def minutes(seconds: float) -> str:
    """Return a moment as ``m:ss.s``."""
    tenths = max(round(seconds * 10), 0)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def _table(name: str, values: Mapping[str, str | int | float]) -> list[str]:
    return ["", f"[[recording.{name}]]", *(f"{key} = {_value(one)}" for key, one in values.items())]


def _value(value: str | float | bool | Sequence[str]) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.6f}"
    if isinstance(value, (int, str)):
        return _quoted(value) if isinstance(value, str) else str(value)
    return f"[{', '.join(_quoted(one) for one in value)}]"


def _quoted(text: str) -> str:
    """Return a TOML basic string: JSON's escapes are among TOML's, but for DEL."""
    plain = text.encode("utf-8", "replace").decode("utf-8")
    return json.dumps(plain, ensure_ascii=False).replace("\x7f", "\\u007f")
