"""``canassist report``: one ride in, the page and its data out."""

from __future__ import annotations

from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Annotated

import typer

from canassist.cli import options
from canassist.cli.exit_status import say, tell
from canassist.cli.files.case_options import make_case
from canassist.cli.files.named_inputs import check_names
from canassist.cli.files.project_file import join_project
from canassist.cli.garbage_collector import collect_rarely
from canassist.cli.output_names import stem
from canassist.cli.outputs import outputs
from canassist.cli.progress_bar import bar
from canassist.cli.recording.case_beside import case_files_beside

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canassist.cli.files.project_file import Project
    from canassist.cli.outputs import Outputs
    from canassist.model import Case, Result


def report(  # noqa: PLR0913, PLR0917 - typer makes an option of each
    logs: Annotated[list[Path], typer.Argument(metavar="LOG...", help="One ride; parts in order.")],
    dbc: options.Databases = None,
    profile: options.ProfileFile = None,
    output: options.OutputPage = None,
    json_file: options.JsonFile = None,
    at: options.Moments = None,
    units: options.ShownUnits = None,
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
    one_ride: options.OneRide = False,
) -> None:
    """Say why the steering was heavy on one ride, and write the report."""
    collect_rarely()
    check_names(logs, options.files_of(dbc), profile)
    project = join_project(
        logs[0],
        dbc=dbc,
        profile=profile,
        units=units,
        zone=zone,
        use=not no_project,
    )
    wanted = outputs(
        f"{stem(logs[0])}.report.html",
        output=output,
        json_file=json_file,
        export=export,
        pdf=pdf,
        sign=sign,
        units=project.units,
        zone=project.zone,
        unmask=unmask,
    )
    beside = [] if no_project else case_files_beside(logs, besides=case_file)
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
    read = [*logs, *options.files_of(project.dbc), project.profile]
    cases = [*beside, *([case_file] if case_file else [])]
    wanted.check([*read, project.file, *cases])
    _answer(logs, project, (case, cases), wanted, one_ride=one_ride)


def _answer(
    logs: list[Path],
    project: Project,
    noted: tuple[Case, list[Path]],
    wanted: Outputs,
    *,
    one_ride: bool,
) -> None:
    from canassist.pipeline import analyze

    with page_prepared(wanted), bar() as progress:
        result = analyze(
            logs,
            dbc=project.dbc,
            profile=project.profile,
            case=noted[0],
            case_file=noted[1],
            project_file=project.file,
            one_ride=one_ride,
            progress=progress,
        )
    from canassist import report as writing

    data = writing.result_json(result)
    look = replace(wanted.look, options={"one_ride": True}) if one_ride else wanted.look
    wanted.write(
        data,
        lambda: writing.render_page(result, look=look, key=wanted.sign, data=data),
        lambda folder: _exported(result, folder, stem(logs[0])),
    )
    if not wanted.to_terminal:
        say_answer(result, wanted.written())


@contextmanager
def page_prepared(wanted: Outputs) -> Iterator[None]:
    """Load and compress what every page needs in a thread, while a log is read."""
    thread = Thread(target=_prepare, daemon=True)  # who is refused early does not wait for it
    if not wanted.only_json:
        thread.start()
    yield
    if not wanted.only_json:
        thread.join()


def _prepare() -> None:
    with suppress(Exception):  # the page meets the same error, where it can be told
        from canassist import report as writing

        writing.prepare()


def _exported(result: Result, folder: Path, name: str) -> dict[Path, bytes]:
    from canassist.export import export_files

    return export_files(result, folder, name)


def say_answer(result: Result, written: Sequence[Path]) -> None:
    """Print the answer as a technician needs it, and the files that were written."""
    from canassist.report import answer_lines

    for line in answer_lines(result):
        say(line)
    for path in written:
        say(f"  written: {path}")
