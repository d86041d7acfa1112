"""``canassist verify``: check that a report is undamaged, signed, and made from these files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canassist.cli.exit_status import say
from canassist.cli.options import Databases
from canassist.errors import InputError, VerificationError

if TYPE_CHECKING:
    from collections.abc import Callable

    from canassist.model import RecorderNotes, Result


Json = dict[str, Any]  # Any: JSON values have any JSON type


def verify(
    page: Annotated[Path, typer.Argument(metavar="REPORT.html")],
    log: Annotated[
        list[Path] | None,
        typer.Option("--log", metavar="LOG", help="The ride's log; repeatable, parts in order."),
    ] = None,
    dbc: Databases = None,
    profile: Annotated[
        list[Path] | None,
        typer.Option("--profile", metavar="FILE", help="Profile; of a comparison, both sides'."),
    ] = None,
) -> None:
    """Check a report: whether it is undamaged, who signed it, and what it was made from."""
    from canassist import report as writing
    from canassist.decode import split_bus
    from canassist.pipeline import check_present, inputs_at_hand

    logs, databases, profiles = log or [], dbc or [], profile or []
    database_files = [split_bus(path)[1] for path in databases]
    check_present([page, *logs, *database_files, *profiles])
    html = _read(page)
    inputs = inputs_at_hand(logs, database_files, profiles)
    data = writing.page_data(html) or {}
    files = dict(zip((i.sha256 for i in inputs), (*logs, *databases, *profiles), strict=True))
    again = _compared(data, files) if "sides" in data else _again(logs, databases, profiles, data)
    checks = writing.verify_page(html, inputs=inputs, reanalyse=again if logs else None)
    for check in checks:
        say(f"{check.question} {check.answer}\n  {check.text}")
    failed = [check for check in checks if check.answer == writing.VerifyAnswer.NO]
    if failed:
        problem = f"{page.name}: {len(failed)} of {len(checks)} checks failed."
        raise VerificationError(problem, "Ask its sender for the report as it was written.")


def _again(
    logs: list[Path], databases: list[Path], profiles: list[Path], data: Json
) -> Callable[[tuple[float, ...]], bytes]:
    """Return how to make the result anew, for the moments that the report answers."""
    from canassist import report as writing
    from canassist.model import Case
    from canassist.pipeline import analyze

    def make(at_s: tuple[float, ...]) -> bytes:
        profile = profiles[0] if profiles else None
        case = Case(at_s=at_s, recorder=_stated_losses(data))
        result = analyze(logs, dbc=databases, profile=profile, case=case)
        return writing.result_json(result)

    return make


def _stated_losses(data: Json) -> RecorderNotes | None:
    """Return what the recorder lost, as the page states it: taken over, not proven."""
    from canassist.model import RecorderNotes

    if not any(item["role"] == "case" for item in data.get("inputs", ())):
        return None
    bus = data.get("bus", {})
    return RecorderNotes(
        losses_s=tuple(bus.get("recorder_losses_s", ())),
        holes_s=tuple((start, end) for start, end in bus.get("recording_gaps", ())),
    )


def _compared(data: Json, files: dict[str, Path]) -> Callable[[tuple[float, ...]], bytes]:
    """Return how to make a comparison anew, each side from the files that it names by hash."""
    from canassist import report as writing
    from canassist.comparison import compare
    from canassist.pipeline import analyze

    def rides(label: str) -> list[Result]:
        own = {role: _of_side(data, files, label, role) for role in ("dbc", "profile")}
        return [
            analyze(
                [files[log["sha256"]] for log in ride["logs"]],
                dbc=own["dbc"],
                profile=next(iter(own["profile"]), None),
            )
            for ride in data["sides"][label]["rides"]
        ]

    def make(at_s: tuple[float, ...]) -> bytes:
        del at_s  # no moment is spoken of where two rides are compared
        names = (data["sides"]["a"]["name"], data["sides"]["b"]["name"])
        return writing.comparison_json(compare(rides("a"), rides("b"), names=names))

    return make


def _of_side(data: Json, files: dict[str, Path], label: str, role: str) -> list[Path]:
    return [
        files[item["sha256"]]
        for item in data["inputs"]
        if item["role"] == role and label in item["sides"]
    ]


def _read(page: Path) -> str:
    try:
        return page.read_text("utf-8-sig")  # a gateway may put a byte order mark before it
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no UTF-8 text"
        problem = f"{page.name}: cannot be read as a report ({why})."
        raise InputError(problem, "Give the HTML page that canassist wrote.") from error
