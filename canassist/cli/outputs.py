"""The files that a command is asked for: checked before long work, written after it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from canassist.cli.exit_status import put_out
from canassist.cli.files.real_place import real_place
from canassist.errors import InputError, OutputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from canassist.cli.options import Units
    from canassist.report import PageOptions

STANDARD_OUTPUT = "-"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outputs:
    """What is to be written, and how the page is to look.

    Attributes
    ----------
    page, data : path
        The page, and its JSON beside it.
    only_json : bool
        Neither is wanted: ``--json`` without ``-o``.
    json_file : str or None
        Where the JSON goes besides; ``-`` is standard output.
    export : path or None
        Folder of the channels and events for other tools.
    """

    page: Path
    data: Path
    only_json: bool
    json_file: str | None = None
    export: Path | None = None
    pdf: bool = False
    sign: Path | None = None
    units: Units = "metric"
    zone: str = ""
    unmask: bool = False

    @property
    def look(self) -> PageOptions:
        """How the page is shown."""
        from canassist.report import PageOptions

        today = date.today().isoformat()
        return PageOptions(units=self.units, zone=self.zone, unmask=self.unmask, made_on=today)

    @property
    def to_terminal(self) -> bool:
        """Whether standard output carries nothing but the JSON."""
        return self.json_file == STANDARD_OUTPUT

    def check(self, inputs: Iterable[Path | None]) -> None:
        """Refuse what cannot end well, before the long work begins.

        Raises
        ------
        UsageError
            If a name would overwrite an input or another output, or the zone is unknown.
        OutputError
            If a folder is missing, or a name is a folder's.
        InputError
            If the key's file is missing.
        MissingExtraError
            If there is no browser to print with.
        """
        from canassist.atomic_write import check_folder
        from canassist.time_zones import find_zone

        find_zone(self.zone)
        check_apart(self._paths(), [path for path in (*inputs, self.sign) if path is not None])
        for path in self._paths():
            check_folder(path)
        if self.sign is not None and not self.sign.is_file():
            raise InputError(f"{self.sign.name}: no such key.", "Make one with `canassist keys`.")
        if self.sign is not None:
            from canassist.report import check_private_key

            check_private_key(self.sign)
        if self.export is not None:
            _check_export(self.export)
        if self.pdf:
            from canassist.report import need_browser

            need_browser()

    def write(
        self,
        data: bytes,
        page: Callable[[], str],
        more: Callable[[Path], Mapping[Path, bytes]],
    ) -> None:
        """Write everything that was asked for.

        Parameters
        ----------
        data : bytes
            The JSON.
        page : callable
            Makes the page; called where one is wanted.
        more : callable
            Takes the export folder and gives its files; called where one is wanted.
        """
        from canassist.atomic_write import write_whole

        files: dict[Path, bytes] = {}
        if not self.only_json:
            files = {self.page: page().encode(), self.data: data}
        if self.json_file is not None and not self.to_terminal:
            files[Path(self.json_file)] = data
        if self.export is not None:
            files |= more(self.export)
            make_folder(self.export)
        write_whole(files)
        if self.pdf:
            from canassist.report import print_pdf

            paper: Literal["A4", "letter"] = "letter" if self.units == "us" else "A4"
            print_pdf(self.page, self._pdf_path(), paper=paper)
        if self.to_terminal:
            put_out(data)

    def _pdf_path(self) -> Path:
        return self.page.with_suffix(".pdf")

    def written(self) -> list[Path]:
        """Return what was written, the page first."""
        return [*self._paths(), *([self.export] if self.export is not None else [])]

    def _paths(self) -> list[Path]:
        """Return every file that is named here; the JSON may be asked for twice."""
        paths = [] if self.only_json else [self.page, self.data]
        if self.pdf:
            paths.append(self._pdf_path())
        if self.json_file is not None and not self.to_terminal:
            paths += [path for path in (Path(self.json_file),) if path not in paths[1:2]]
        return paths


def outputs(  # noqa: PLR0913 - what a command line may ask for
    default_name: str,
    *,
    output: Path | None,
    json_file: str | None,
    export: Path | None,
    pdf: bool,
    sign: Path | None,
    units: Units,
    zone: str,
    unmask: bool,
) -> Outputs:
    """Return what the options ask for.

    Raises
    ------
    UsageError
        If they contradict each other.
    """
    only_json = json_file is not None and output is None
    if only_json and (pdf or sign or export):
        problem = "--json without -o writes no page to print, sign or export beside."
        raise UsageError(problem, "Add -o OUT.html.")
    page, to_print = _page_of(Path(default_name) if output is None else output)
    pdf = pdf or to_print
    data = page.with_suffix(".json")
    return Outputs(
        page=page,
        data=data,
        only_json=only_json,
        json_file=json_file,
        export=export,
        pdf=pdf,
        sign=sign,
        units=units,
        zone=zone,
        unmask=unmask,
    )


def _page_of(output: Path) -> tuple[Path, bool]:
    """Return the page that a name means, and whether it is to be printed too.

    Raises
    ------
    UsageError
        If the name cannot be a page's.
    """
    if output.name in {"", ".."}:
        raise UsageError(f'-o "{output}" names no file.', "Give the page's name, such as OUT.html.")
    if output.name.startswith("="):
        named = output.name.removeprefix("=")
        raise UsageError(f'-o "{output}" begins with "=".', f"Write: -o {named}")
    ending = output.suffix.lower()
    if ending == ".pdf":
        return output.with_suffix(".html"), True
    if not ending and not output.is_dir() and not output.exists():
        return output.with_name(f"{output.name}.html"), False
    if ending == ".json":
        problem = f"{output.name}: the page cannot end in .json, its data goes there."
        raise UsageError(problem, "Give -o a name that ends in .html, or write --json FILE.")
    if ending in _NO_PAGES:
        problem = f"{output.name}: the report is a page, and does not go into this kind of file."
        raise UsageError(problem, "Give -o a name that ends in .html or .pdf.")
    return output, False


_NO_PAGES = frozenset(
    {".doc", ".docx", ".odt", ".rtf", ".xls", ".xlsx", ".csv", ".txt", ".md", ".png", ".jpg"}
)


def check_apart(written: Iterable[Path], read: Iterable[Path]) -> None:
    """Refuse to write over what is read, and two things under one name.

    Raises
    ------
    UsageError
        Naming the file.
    """
    seen = {real_place(path) for path in read}
    for path in written:
        if real_place(path) in seen:
            problem = f"{path}: would be overwritten, and is needed for something else."
            raise UsageError(problem, "Give every output a name of its own.")
        seen.add(real_place(path))


def _check_export(folder: Path) -> None:
    try:
        there = next(place for place in (folder, *folder.absolute().parents) if place.exists())
    except OSError as error:
        problem = f"{folder}: cannot be used ({error.strerror})."
        raise OutputError(problem, "Give --export a folder that is yours.") from error
    if not there.is_dir():
        problem = f"{folder}: cannot be a folder, {there.name} is a file."
        raise OutputError(problem, "Give --export the name of a folder.")


def make_folder(folder: Path) -> None:
    """Make a folder, and those above it, where missing.

    Raises
    ------
    OutputError
        If it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        problem = f"{folder}: the folder cannot be made ({error.strerror})."
        raise OutputError(problem, "Choose a place that is yours and has room.") from error
