"""``canassist compare``: two vehicles, or before and after a repair."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canassist.cli import options
from canassist.cli.exit_status import say
from canassist.cli.files.case_options import make_case
from canassist.cli.files.named_inputs import check_names
from canassist.cli.files.project_file import join_project
from canassist.cli.garbage_collector import collect_rarely
from canassist.cli.output_names import LOG_ENDINGS, stem
from canassist.cli.outputs import outputs
from canassist.cli.progress_bar import bar
from canassist.cli.report_command import page_prepared
from canassist.errors import InputError

if TYPE_CHECKING:
    from canassist.cli.outputs import Outputs
    from canassist.model import Case, Comparison, Progress, Result


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """One side as the command line names it."""

    label: str
    name: str
    logs: tuple[Path, ...]
    dbc: list[Path]
    profile: Path | None
    one_ride: bool


def compare(  # noqa: PLR0913, PLR0917 - typer makes an option of each
    a: Annotated[Path, typer.Argument(metavar="A", help="A log, or a folder of one vehicle's.")],
    b: Annotated[Path, typer.Argument(metavar="B", help="The other side, likewise.")],
    dbc: options.Databases = None,
    profile: options.ProfileFile = None,
    dbc_b: Annotated[
        list[Path] | None,
        typer.Option("--dbc-b", metavar="FILE", help="Signal database of B, if it is another."),
    ] = None,
    profile_b: Annotated[
        Path | None,
        typer.Option("--profile-b", metavar="FILE", help="Profile of B, if it is another."),
    ] = None,
    same_vehicle: Annotated[
        bool,
        typer.Option("--same-vehicle", help="A and B are one vehicle, before and after a repair."),
    ] = False,
    one_ride: options.OneRide = False,
    output: options.OutputPage = None,
    json_file: options.JsonFile = None,
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
) -> None:
    """Say what differs between two vehicles, or before and after a repair."""
    collect_rarely()
    for side, files, own in ((a, dbc, profile), (b, dbc_b, profile_b)):
        check_names([] if side.is_dir() else [side], options.files_of(files), own)
    project = join_project(
        a,
        dbc=dbc,
        profile=profile,
        units=units,
        zone=zone,
        use=not no_project,
    )
    dbc, profile = project.dbc, project.profile
    wanted = outputs(
        f"{side_name(a)}_vs_{side_name(b)}.compare.html",
        output=output,
        json_file=json_file,
        export=export,
        pdf=pdf,
        sign=sign,
        units=project.units,
        zone=project.zone,
        unmask=unmask,
    )
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
    own_dbc = dbc if dbc_b is None else dbc_b
    sides = (
        _Side(
            label="A",
            name=side_name(a),
            logs=logs_of(a),
            dbc=dbc or [],
            profile=profile,
            one_ride=one_ride,
        ),
        _Side(
            label="B",
            name=side_name(b),
            logs=logs_of(b),
            dbc=own_dbc or [],
            profile=profile_b or profile,
            one_ride=one_ride,
        ),
    )
    read = [file for side in sides for file in (*side.logs, *options.files_of(side.dbc))]
    wanted.check([*read, profile, profile_b, case_file, project.file])
    _answer(sides, case, wanted, project.file, same_vehicle=same_vehicle)


def _answer(
    sides: tuple[_Side, _Side],
    case: Case,
    wanted: Outputs,
    project: Path | None,
    *,
    same_vehicle: bool,
) -> None:
    one, other = sides
    with page_prepared(wanted), bar() as progress:
        rides_a = _rides(one, project, progress)
        rides_b = _rides(other, project, progress)
    from canassist import report as writing
    from canassist.comparison import compare as compare_sides

    found = compare_sides(
        rides_a, rides_b, names=(one.name, other.name), same_vehicle=same_vehicle, case=case
    )
    data = writing.comparison_json(found)
    look = replace(wanted.look, options={"one_ride": True}) if one.one_ride else wanted.look
    wanted.write(
        data,
        lambda: writing.render_comparison(found, look=look, key=wanted.sign),
        lambda folder: _exported(sides, (rides_a, rides_b), folder),
    )
    if not wanted.to_terminal:
        _say(found, wanted.written())


def side_name(path: Path) -> str:
    """Return how a side is called: a log's name without endings, or its folder's name."""
    return path.resolve().name if path.is_dir() else stem(path)


def logs_of(path: Path) -> tuple[Path, ...]:
    """Return a side's logs: the file itself, or every log in a folder, by name.

    Raises
    ------
    InputError
        If a folder cannot be read or holds no log.
    """
    if not path.is_dir():
        return (path,)
    try:
        logs = sorted(
            item
            for item in path.iterdir()
            if item.is_file() and item.suffix.lower() in LOG_ENDINGS and item.name[:1] != "."
        )
    except OSError as error:
        problem = f"{path.name}: the folder cannot be read ({error.strerror})."
        raise InputError(problem, "Check that it is open to you.") from error
    if not logs:
        problem = f"{path.name}: no log in this folder."
        raise InputError(problem, "Give a log, or a folder that holds the logs of one vehicle.")
    return tuple(logs)


def _rides(side: _Side, project: Path | None, progress: Progress) -> list[Result]:
    from canassist.pipeline import analyze

    return [
        analyze(
            log,
            dbc=side.dbc,
            profile=side.profile,
            project_file=project,
            one_ride=side.one_ride,
            progress=progress,
        )
        for log in side.logs
    ]


def _exported(
    sides: tuple[_Side, _Side], rides: tuple[list[Result], list[Result]], folder: Path
) -> dict[Path, bytes]:
    """Return every ride's channels and events, their names begun by the side's letter."""
    from canassist.export import export_files

    files: dict[Path, bytes] = {}
    for side, results in zip(sides, rides, strict=True):
        for name, result in zip(_export_names(side), results, strict=True):
            files |= export_files(result, folder, name)
    return files


def _export_names(side: _Side) -> list[str]:
    """Return a name for each ride, numbered where two logs differ in nothing but ending."""
    stems = [stem(log) for log in side.logs]
    times = Counter(one.casefold() for one in stems)  # some systems take Ride and ride for one
    return [
        f"{side.label}.{one}" if times[one.casefold()] == 1 else f"{side.label}.{number}.{one}"
        for number, one in enumerate(stems, start=1)
    ]


def _say(found: Comparison, written: list[Path]) -> None:
    """Print what differs, whether that explains the complaint, and the files written."""
    from canassist.model import VehicleRelation

    say(found.headline)
    if found.explains:
        say(f"  {found.explains}")
    unsaid = found.relation is VehicleRelation.NOT_TOLD
    hint = " If they are, add --same-vehicle." if unsaid else ""
    say(f"  {found.relation_text}{hint}")
    for item in found.repairs:
        say(f"  before and after: {item.text} {item.ridden}")
    for path in written:
        say(f"  written: {path}")
