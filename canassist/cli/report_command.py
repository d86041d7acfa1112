"""``canassist report``: one ride in, the page and its data out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canassist.cli import options
from canassist.cli.case_options import make_case
from canassist.cli.exit_status import say, tell
from canassist.cli.garbage_collector import collect_rarely
from canassist.cli.output_names import stem
from canassist.cli.outputs import outputs
from canassist.cli.progress_bar import bar
from canassist.cli.recording.case_beside import case_files_beside

if TYPE_CHECKING:
    from canassist.cli.outputs import Outputs
    from canassist.model import Case, Result


def report(  # noqa: PLR0913, PLR0917 - typer makes an option of each
    logs: Annotated[list[Path], typer.Argument(metavar="LOG...", help="One ride; parts in order.")],
    dbc: options.Databases = None,
    profile: options.ProfileFile = None,
    output: options.OutputPage = None,
    json_file: options.JsonFile = None,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", metavar="m:ss", help="Moment of the complaint; repeatable."),
    ] = None,
    units: options.ShownUnits = "metric",
    zone: options.Zone = "",
    export: options.ExportFolder = None,
    pdf: options.Pdf = False,
    sign: options.SignKey = None,
    case_file: options.CaseFile = None,
    complaint: options.Complaint = "",
    correction: options.Correction = "",
    vehicle: options.Vehicle = "",
    odometer: options.Odometer = "",
    work_order: options.WorkOrder = "",
    technician: options.Technician = "",
    equipment: options.Equipment = "",
    unmask: options.Unmask = False,
    no_project: options.NoProject = False,
) -> None:
    """Say why the steering was heavy on one ride, and write the report."""
    collect_rarely()
    wanted = outputs(
        f"{stem(logs[0])}.report.html",
        output=output,
        json_file=json_file,
        export=export,
        pdf=pdf,
        sign=sign,
        units=units,
        zone=zone,
        unmask=unmask,
    )
    beside = [] if no_project else case_files_beside(logs)
    for path in beside:
        tell(f"{path.name}: moments and case data are taken from it (--no-project leaves it out).")
    case = make_case(
        case_file,
        at or [],
        beside=beside,
        complaint=complaint,
        correction=correction,
        vehicle=vehicle,
        odometer=odometer,
        work_order=work_order,
        technician=technician,
        equipment=equipment,
    )
    wanted.check([*logs, *options.files_of(dbc), profile, case_file, *beside])
    _answer(logs, dbc or [], profile, case, wanted, beside)


def _answer(  # noqa: PLR0913, PLR0917 - what a report is made from and for
    logs: list[Path],
    dbc: list[Path],
    profile: Path | None,
    case: Case,
    wanted: Outputs,
    beside: list[Path],
) -> None:
    from canassist.pipeline import analyze

    with bar() as progress:
        result = analyze(
            logs,
            dbc=dbc,
            profile=profile,
            case=case,
            case_file=beside,
            progress=progress,
            meanwhile=None if wanted.only_json else prepare_page,
        )
    from canassist import report as writing

    data = writing.result_json(result)
    wanted.write(
        data,
        lambda: writing.render_page(result, look=wanted.look, key=wanted.sign, data=data),
        lambda folder: _exported(result, folder, stem(logs[0])),
    )
    if not wanted.to_terminal:
        say_answer(result, None if wanted.only_json else wanted.page)


def prepare_page() -> None:
    """Load and compress what every page needs, while a log is read."""
    from canassist import report as writing

    writing.prepare()


def _exported(result: Result, folder: Path, name: str) -> dict[Path, bytes]:
    from canassist.export import export_files

    return export_files(result, folder, name)


def say_answer(result: Result, page: Path | None) -> None:
    """Print the answer as a technician needs it: the moment asked for, what, how sure, next."""
    first = result.conclusions[0]
    for moment in result.moments:
        say(moment.text)
    say(first.headline)
    sure = "cannot tell" if first.strength is None else first.strength
    say(f"  how sure: {sure} ({first.code})")
    for number, check in enumerate(first.next_checks[:3], start=1):
        say(f"  {number}. {check}")
    if page is not None:
        say(f"  report: {page}")
