"""``canassist report``: one ride in, the page and its data out."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from canassist.cli.bar import bar
from canassist.cli.case import make_case
from canassist.cli.collector import collect_rarely
from canassist.cli.names import report_paths, stem
from canassist.cli.options import Databases, JsonFile, OutputPage, ProfileFile
from canassist.errors import UsageError

if TYPE_CHECKING:
    from canassist.model import Result
    from canassist.report import Look

Words = Annotated[str, typer.Option(metavar="TEXT")]


def report(  # noqa: PLR0913, PLR0917 - typer makes an option of each
    logs: Annotated[list[Path], typer.Argument(metavar="LOG...", help="One ride; parts in order.")],
    dbc: Databases = None,
    profile: ProfileFile = None,
    output: OutputPage = None,
    json_file: JsonFile = None,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", metavar="m:ss", help="Moment of the complaint; repeatable."),
    ] = None,
    units: Annotated[
        Literal["metric", "us"], typer.Option("--units", help="Units shown on the page.")
    ] = "metric",
    zone: Annotated[
        str, typer.Option("--zone", metavar="ZONE", help="Time zone of clock times.")
    ] = "",
    export: Annotated[
        Path | None,
        typer.Option("--export", metavar="FOLDER", help="Also write channels and events there."),
    ] = None,
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
    equipment: Annotated[
        str, typer.Option(metavar="TEXT", help="Plow, tracks, winch: what loads the steering.")
    ] = "",
    unmask: Annotated[
        bool, typer.Option("--unmask", help="Show VIN and serial numbers in full.")
    ] = False,
) -> None:
    """Say why the steering was heavy on one ride, and write the report."""
    collect_rarely()
    page_only_json = json_file is not None and output is None
    page_path, data_path = report_paths(output, f"{stem(logs[0])}.report.html")
    if page_only_json and (pdf or sign or export):
        problem = "--json without -o writes no page to print, sign or export beside."
        raise UsageError(problem, "Add -o OUT.html.")
    case = make_case(
        case_file,
        at or [],
        complaint=complaint,
        correction=correction,
        vehicle=vehicle,
        odometer=odometer,
        work_order=work_order,
        technician=technician,
        equipment=equipment,
    )

    from canassist.output import check_folder, write_whole
    from canassist.pipeline import analyze

    check_folder(page_path)

    with bar() as progress:
        result = analyze(
            logs,
            dbc=dbc or [],
            profile=profile,
            case=case,
            progress=progress,
            meanwhile=None if page_only_json else _prepare_page,
        )
    from canassist import report as writing

    data = writing.result_json(result)
    files: dict[Path, bytes] = {}
    if not page_only_json:
        look = writing.Look(units=units, zone=zone, unmask=unmask)
        files = {page_path: _page(result, data, look, sign), data_path: data}
    if json_file not in (None, "-"):
        files[Path(json_file)] = data
    if export is not None:
        from canassist.export import export_files

        export.mkdir(parents=True, exist_ok=True)
        files |= export_files(result, export, stem(logs[0]))
    write_whole(files)
    if pdf:
        paper: Literal["A4", "letter"] = "letter" if units == "us" else "A4"
        writing.print_pdf(page_path, page_path.with_suffix(".pdf"), paper=paper)
    if json_file == "-":
        sys.stdout.buffer.write(data)
    else:
        say_answer(result, page_path if not page_only_json else None)


def _prepare_page() -> None:
    """Load and compress what every page needs, while the log is read."""
    from canassist import report as writing

    writing.prepare()


def _page(result: Result, data: bytes, look: Look, sign: Path | None) -> bytes:
    from canassist import report as writing

    return writing.render_page(result, look=look, key=sign, data=data).encode()


def say_answer(result: Result, page: Path | None) -> None:
    """Print the answer as a technician needs it: what, how sure, what next, where."""
    first = result.conclusions[0]
    typer.echo(f"{first.headline}")
    sure = "cannot tell" if first.code == "inconclusive" else first.strength
    typer.echo(f"  how sure: {sure} ({first.code})")
    for number, check in enumerate(first.next_checks[:3], start=1):
        typer.echo(f"  {number}. {check}")
    if page is not None:
        typer.echo(f"  report: {page}")
