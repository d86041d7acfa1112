"""``canassist verify``: check that a report is undamaged, signed, and made from these files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canassist.cli.options import Databases, ProfileFile
from canassist.errors import InputError, VerificationError

if TYPE_CHECKING:
    from collections.abc import Callable


def verify(
    page: Annotated[Path, typer.Argument(metavar="REPORT.html")],
    log: Annotated[
        list[Path] | None,
        typer.Option("--log", metavar="LOG", help="The ride's log; repeatable, parts in order."),
    ] = None,
    dbc: Databases = None,
    profile: ProfileFile = None,
) -> None:
    """Check a report: whether it is undamaged, who signed it, and what it was made from."""
    from canassist import report as writing
    from canassist.decode import split_bus
    from canassist.pipeline import check_present, inputs_at_hand

    logs, databases = log or [], dbc or []
    profiles = [profile] if profile else []
    database_files = [split_bus(path)[1] for path in databases]
    check_present([page, *logs, *database_files, *profiles])
    checks = writing.verify_page(
        _read(page),
        inputs=inputs_at_hand(logs, database_files, profiles),
        reanalyse=_again(logs, databases, profile) if logs else None,
    )
    for check in checks:
        typer.echo(f"{check.question} {check.answer}\n  {check.text}")
    failed = [check for check in checks if check.answer == writing.Answer.NO]
    if failed:
        problem = f"{page.name}: {len(failed)} of {len(checks)} checks failed."
        raise VerificationError(problem, "Ask its sender for the report as it was written.")


def _again(
    logs: list[Path], databases: list[Path], profile: Path | None
) -> Callable[[tuple[float, ...]], bytes]:
    """Return how to make the result anew, for the moments that the report answers."""
    from canassist import report as writing
    from canassist.model import Case
    from canassist.pipeline import analyze

    def make(at_s: tuple[float, ...]) -> bytes:
        result = analyze(logs, dbc=databases, profile=profile, case=Case(at_s=at_s))
        return writing.result_json(result)

    return make


def _read(page: Path) -> str:
    try:
        return page.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        problem = f"{page.name}: cannot be read as a report ({type(error).__name__})."
        raise InputError(problem, "Give the HTML page that canassist wrote.") from error
