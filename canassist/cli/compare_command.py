"""``canassist compare``: two vehicles, or before and after a repair."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from canassist.cli.bar import bar
from canassist.cli.case import make_case
from canassist.cli.collector import collect_rarely
from canassist.cli.names import LOG_ENDINGS, report_paths, stem
from canassist.cli.options import Databases, JsonFile, OutputPage, ProfileFile
from canassist.errors import InputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canassist.model import Comparison, Progress, Result

Words = Annotated[str, typer.Option(metavar="TEXT")]
MOST_SAID = 3


def compare(  # noqa: PLR0913, PLR0917 - typer makes an option of each
    a: Annotated[Path, typer.Argument(metavar="A", help="A log, or a folder of one vehicle's.")],
    b: Annotated[Path, typer.Argument(metavar="B", help="The other side, likewise.")],
    dbc: Databases = None,
    profile: ProfileFile = None,
    dbc_b: Annotated[
        list[Path] | None,
        typer.Option("--dbc-b", metavar="FILE", help="Signal database of B, if it is another."),
    ] = None,
    profile_b: Annotated[
        Path | None,
        typer.Option("--profile-b", metavar="FILE", help="Profile of B, if it is another."),
    ] = None,
    output: OutputPage = None,
    json_file: JsonFile = None,
    units: Annotated[
        Literal["metric", "us"], typer.Option("--units", help="Units shown on the page.")
    ] = "metric",
    zone: Annotated[
        str, typer.Option("--zone", metavar="ZONE", help="Time zone of clock times.")
    ] = "",
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Also print the page, with an installed browser.")
    ] = False,
    sign: Annotated[
        Path | None, typer.Option("--sign", metavar="KEY", help="Sign with this private key.")
    ] = None,
    case_file: Annotated[
        Path | None, typer.Option("--case", metavar="FILE.toml", help="Case data in a file.")
    ] = None,
    complaint: Words = "",
    correction: Words = "",
    vehicle: Words = "",
    odometer: Words = "",
    work_order: Words = "",
    technician: Words = "",
    equipment: Words = "",
    unmask: Annotated[
        bool, typer.Option("--unmask", help="Show VIN and serial numbers in full.")
    ] = False,
) -> None:
    """Say what differs between two vehicles, or before and after a repair."""
    collect_rarely()
    only_json = json_file is not None and output is None
    page_path, data_path = report_paths(output, f"{side_name(a)}_vs_{side_name(b)}.compare.html")
    if only_json and (pdf or sign):
        problem = "--json without -o writes no page to print or sign."
        raise UsageError(problem, "Add -o OUT.html.")
    case = make_case(
        case_file,
        [],
        complaint=complaint,
        correction=correction,
        vehicle=vehicle,
        odometer=odometer,
        work_order=work_order,
        technician=technician,
        equipment=equipment,
    )
    logs_a, logs_b = logs_of(a), logs_of(b)

    from canassist import report as writing
    from canassist.compare import compare as compare_sides
    from canassist.output import check_folder, write_whole

    check_folder(page_path)
    with bar() as progress:
        rides_a = _rides(logs_a, dbc or [], profile, progress)
        rides_b = _rides(logs_b, dbc if dbc_b is None else dbc_b, profile_b or profile, progress)
    found = compare_sides(rides_a, rides_b, names=(side_name(a), side_name(b)), case=case)
    data = writing.comparison_json(found)
    files: dict[Path, bytes] = {}
    if not only_json:
        look = writing.Look(units=units, zone=zone, unmask=unmask)
        page = writing.render_comparison(found, look=look, key=sign)
        files = {page_path: page.encode(), data_path: data}
    if json_file not in (None, "-"):
        files[Path(json_file)] = data
    write_whole(files)
    if pdf:
        writing.print_pdf(page_path, page_path.with_suffix(".pdf"))
    if json_file == "-":
        sys.stdout.buffer.write(data)
    else:
        _say(found, page_path if not only_json else None)


def side_name(path: Path) -> str:
    """Return how a side is called: a log's name without endings, or its folder's name."""
    return path.resolve().name if path.is_dir() else stem(path)


def logs_of(path: Path) -> tuple[Path, ...]:
    """Return a side's logs: the file itself, or every log in a folder, by name.

    Raises
    ------
    InputError
        If a folder holds no log.
    """
    if not path.is_dir():
        return (path,)
    logs = sorted(
        item
        for item in path.iterdir()
        if item.is_file() and item.suffix.lower() in LOG_ENDINGS and item.name[:1] != "."
    )
    if not logs:
        problem = f"{path.name}: no log in this folder."
        raise InputError(problem, "Give a log, or a folder that holds the logs of one vehicle.")
    return tuple(logs)


def _rides(
    logs: Sequence[Path],
    dbc: Sequence[Path] | None,
    profile: Path | None,
    progress: Progress,
) -> list[Result]:
    from canassist.pipeline import analyze

    return [analyze(log, dbc=dbc or [], profile=profile, progress=progress) for log in logs]


def _say(found: Comparison, page: Path | None) -> None:
    """Print what differs, whether that explains the complaint, and where the page is."""
    typer.echo(found.headline)
    if found.explains:
        typer.echo(f"  {found.explains}")
    for item in found.repairs[:MOST_SAID]:
        typer.echo(f"  before and after: {item.text} {item.ridden}")
    if page is not None:
        typer.echo(f"  page: {page}")
