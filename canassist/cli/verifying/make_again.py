"""Makes a page again: from files at hand, and from what the page states of its making.

The statement comes from a page that nobody vouches for, so each of its values is checked
before it is used. Pages of further kinds are made again by one more function in `_KINDS`.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, cast

from canassist.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canassist.cli.options import Units
    from canassist.model import Case, InputFile, Result
    from canassist.report import PageOptions, PageStatement, StatedFile

_FIX: Final = "Make the report anew with this version."


@dataclass(frozen=True, slots=True)
class FilesAtHand:
    """Files by role and SHA-256, and what was named as logs: files and folders."""

    paths: dict[tuple[str, str], Path]
    places: tuple[Path, ...] = ()

    @classmethod
    def of(
        cls, inputs: Sequence[InputFile], paths: Sequence[Path], places: Sequence[Path]
    ) -> FilesAtHand:
        """Return files with what is known of each."""
        pairs = zip(inputs, paths, strict=True)
        return cls({(item.role, item.sha256): path for item, path in pairs}, tuple(places))

    def lay_out(self, items: Sequence[StatedFile], folder: Path) -> list[Path]:
        """Let files appear under the names that a page gives them: a copy may be renamed.

        Raises
        ------
        InputError
            If a name is no plain file name, or cannot be had on this system.
        """
        return [self._under_its_name(item, folder) for item in items]

    def _under_its_name(self, item: StatedFile, folder: Path) -> Path:
        source = self.paths[item.role, item.sha256].resolve()
        home = Path(tempfile.mkdtemp(dir=folder))
        name = item.name
        if name in {"", ".", ".."} or any(sign in name for sign in "/\\\0"):
            raise InputError(f"{name!r} is no plain file name.", _FIX)
        target = home / name
        try:
            _appear(source, target)
        except (OSError, ValueError) as error:
            problem = f"{name!r} cannot be a file's name on this system."
            raise InputError(problem, _FIX) from error
        return target


def _appear(source: Path, target: Path) -> None:
    """Make a file appear under another name: as a link where the system lets us, else a copy."""
    for link in (os.symlink, os.link):
        try:
            link(source, target)
        except (OSError, NotImplementedError):
            continue
        return
    shutil.copyfile(source, target)


def make_again(statement: PageStatement, signer: bytes, files: FilesAtHand) -> bytes:
    """Return a page as these files and what is stated give it here.

    Parameters
    ----------
    statement : PageStatement
        What the page states; every file in it is at hand.
    signer : bytes
        Raw public key of its signer; empty where it is not signed.
    files : FilesAtHand

    Raises
    ------
    CanassistError
        If it states what cannot be, or a file cannot be used.
    """
    made = _KINDS.get(statement.kind)
    if made is None:
        problem = f"Pages of this kind ({statement.kind}) cannot be made again by this version."
        raise InputError(problem, _FIX)
    if unknown := set(statement.options) - _OPTIONS[statement.kind]:
        names = ", ".join(sorted(unknown))
        raise InputError(f"It was made with options that are not known here: {names}.", _FIX)
    with tempfile.TemporaryDirectory(prefix="canassist-") as folder:
        return made(statement, signer, files, Path(folder))


def _report(statement: PageStatement, signer: bytes, files: FilesAtHand, folder: Path) -> bytes:
    from canassist import report as writing

    result = _ride(statement, files, folder, statement.of_role("log"), _case(statement))
    return writing.render_page(result, look=_look(statement), signer=signer).encode()


def _comparison(statement: PageStatement, signer: bytes, files: FilesAtHand, folder: Path) -> bytes:
    from canassist import report as writing
    from canassist.comparison import compare

    if len(statement.sides) != len("ab"):
        raise InputError("A comparison of other than two sides.", _FIX)
    logs = {item.sha256: item for item in statement.of_role("log")}
    sides = []
    for label, side in zip("ab", statement.sides, strict=True):
        if not side.rides or not all(sha256 in logs for ride in side.rides for sha256 in ride):
            raise InputError("A side of other rides than the page names.", _FIX)
        own = replace(statement, inputs=tuple(i for i in statement.inputs if label in i.sides))
        rides = [[logs[sha256] for sha256 in ride] for ride in side.rides]
        sides.append([_ride(own, files, folder, ride, None) for ride in rides])
    names = (statement.sides[0].name, statement.sides[1].name)
    found = compare(
        sides[0],
        sides[1],
        names=names,
        same_vehicle=statement.options.get("same_vehicle") is True,
        case=_case(statement),
    )
    return writing.render_comparison(found, look=_look(statement), signer=signer).encode()


def _ride(
    statement: PageStatement,
    files: FilesAtHand,
    folder: Path,
    logs: Sequence[StatedFile],
    case: Case | None,
) -> Result:
    from canassist.pipeline import analyze

    databases = statement.of_role("dbc")
    laid_out = files.lay_out(databases, folder)
    profiles = files.lay_out(statement.of_role("profile"), folder)
    result = analyze(
        files.lay_out(logs, folder),
        dbc=[
            Path(f"{item.bus}={path}") if item.bus else path
            for item, path in zip(databases, laid_out, strict=True)
        ],
        profile=profiles[0] if profiles else None,
        case=case,
        one_ride=statement.options.get("one_ride") is True,
    )
    return replace(result, inputs=(*result.inputs, *_further_inputs(statement)))


def _further_inputs(statement: PageStatement) -> list[InputFile]:
    """Return inputs that only whoever made the page had, such as its project file."""
    from canassist.model import InputFile

    read_again = {"log", "dbc", "profile"}
    return [
        InputFile(role=item.role, name=item.name, sha256=item.sha256, size_bytes=item.size_bytes)
        for item in statement.inputs
        if item.role not in read_again
    ]


def _case(statement: PageStatement) -> Case:
    from canassist.model import Case, RecorderNotes, RiderNote

    texts = {item.name for item in fields(Case)} - {"at_s", "at_log_s", "recorder", "notes"}
    notes = {item.name for item in fields(RecorderNotes)}
    if unknown := (set(statement.case) - texts) | (set(statement.recorder) - notes):
        raise InputError(f"Case data that is not known here: {sorted(unknown)[0]!r}.", _FIX)
    recorder = RecorderNotes(**statement.recorder) if statement.recorder else None  # type: ignore[arg-type]  # the names were checked above
    written = tuple(RiderNote(at_s=item.at_s, text=item.text) for item in statement.notes)
    told = Case(at_s=statement.moments_s, recorder=recorder, notes=written)
    return replace(told, **statement.case)  # type: ignore[arg-type]  # the same


def _look(statement: PageStatement) -> PageOptions:
    from canassist.report import PageOptions

    return PageOptions(
        units=cast("Units", statement.units),
        zone=statement.zone,
        unmask=statement.unmask,
        made_on=statement.made_on,
        vin_doubted=statement.vin_doubted,
        vehicle_masked=statement.vehicle_masked,
        options=statement.options,
    )


def _screening(statement: PageStatement, signer: bytes, files: FilesAtHand, folder: Path) -> bytes:
    from canassist.screen import ScreeningOptions, screen

    del signer  # such pages are not signed
    databases, profiles, vehicles = _for_many(statement, files, folder)
    reports = statement.options.get("reports", 0)
    named = str(statement.options.get("report_of", ""))
    options = ScreeningOptions(
        vehicles=vehicles,
        pattern=str(statement.options.get("pattern", "")),
        reports=int(reports) if isinstance(reports, (int, float)) else 0,
        report_of=tuple(name for name in named.split("\n") if name),
        workers=1,
    )
    places = [str(place) for place in files.places]
    done = screen(places, folder / "out", dbc=databases, profile=profiles, options=options)
    return done.page.read_bytes()


def _learning(statement: PageStatement, signer: bytes, files: FilesAtHand, folder: Path) -> bytes:
    from canassist.learning import LearnOptions, learn
    from canassist.report import render_learned

    del signer  # such pages are not signed
    databases, profile, vehicles = _for_many(statement, files, folder)
    options = LearnOptions(
        vehicles=vehicles,
        pattern=str(statement.options.get("pattern", "")),
        keep=statement.options.get("keep") is True,
        workers=1,
    )
    places = [str(place) for place in files.places]
    found = learn(places, dbc=databases, profile=profile, options=options)
    further = [item for item in _further_inputs(statement) if item.role == "vehicles"]
    return render_learned(found, options=statement.options, further=further).encode()


def _for_many(
    statement: PageStatement, files: FilesAtHand, folder: Path
) -> tuple[list[str], str, Path | None]:
    """Return databases, profile and list of vehicles under the names that a page gives them."""
    databases = statement.of_role("dbc")
    laid_out = files.lay_out(databases, folder)
    pairs = zip(databases, laid_out, strict=True)
    profiles = files.lay_out(statement.of_role("profile"), folder)
    vehicles = files.lay_out(statement.of_role("vehicles"), folder)
    return (
        [f"{item.bus}={path}" if item.bus else str(path) for item, path in pairs],
        str(profiles[0]) if profiles else "",
        vehicles[0] if vehicles else None,
    )


_OPTIONS: Final = {
    "report": frozenset({"one_ride"}),
    "comparison": frozenset({"one_ride", "same_vehicle"}),
    "screening": frozenset({"pattern", "report_of", "reports"}),
    "learning": frozenset({"keep", "pattern"}),
}
"""What decides each kind of page besides its files and looks."""

_KINDS: Final[dict[str, Callable[[PageStatement, bytes, FilesAtHand, Path], bytes]]] = {
    "report": _report,
    "comparison": _comparison,
    "screening": _screening,
    "learning": _learning,
}
