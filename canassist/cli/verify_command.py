"""``canassist verify``: whether a report is as it was made, by whom, and from these files."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from canassist.cli.exit_status import say
from canassist.cli.options import Databases, files_of
from canassist.cli.output_names import LOG_ENDINGS
from canassist.errors import InputError

if TYPE_CHECKING:
    from canassist.report import KnownKeys, PageStatement

LARGEST: Final = 256 << 20
"""Most bytes of a page; the largest of ours, of 10,000 events, have some 7 MB."""

_FINGERPRINT: Final = re.compile(r"[0-9a-f]{64}")


def verify(  # noqa: PLR0913, PLR0917 - typer makes an option of each
    page: Annotated[Path, typer.Argument(metavar="REPORT.html")],
    log: Annotated[
        list[Path] | None,
        typer.Option("--log", metavar="LOG", help="The ride's log, or a folder; repeatable."),
    ] = None,
    dbc: Databases = None,
    profile: Annotated[
        list[Path] | None,
        typer.Option("--profile", metavar="FILE", help="Profile; of a comparison, both sides'."),
    ] = None,
    vehicles: Annotated[
        Path | None,
        typer.Option(metavar="FILE.csv", help="The list of vehicles of a page on many logs."),
    ] = None,
    key: Annotated[
        list[str] | None,
        typer.Option(
            "--key", metavar="PUB", help="Public key or fingerprint that must have signed it."
        ),
    ] = None,
) -> None:
    """Check a report: whether it is as it was made, signed by whom, made from these files."""
    from canassist import report as writing
    from canassist.cli.verifying import FilesAtHand, make_again
    from canassist.pipeline import check_present, input_file, inputs_at_hand

    places, databases, profiles = log or [], dbc or [], profile or []
    logs = _files_in(places)
    lists = [vehicles] if vehicles else []
    paths = [*logs, *files_of(databases), *profiles, *lists]
    check_present([page, *paths])
    inputs = [*inputs_at_hand(logs, databases, profiles)]
    inputs += [input_file(path, "vehicles") for path in lists]
    files = FilesAtHand.of(inputs, paths, places)

    def remake(statement: PageStatement, signer: bytes) -> bytes:
        return make_again(statement, signer, files)

    keys = _known_keys(key or [])
    answer = writing.verify_page(
        _read(page), inputs=inputs, remake=remake if places else None, keys=keys
    )
    say(answer.line)
    for reason in answer.reasons:
        say(f"  {reason}")
    raise typer.Exit(answer.verdict.status)


def _files_in(places: list[Path]) -> list[Path]:
    """Return logs, and the logs in folders at any depth, known by their endings."""
    found: list[Path] = []
    for place in places:
        if place.is_dir():
            inside = (path for path in place.rglob("*") if path.suffix.lower() in LOG_ENDINGS)
            found += sorted(path for path in inside if path.is_file() and path.name[0] != ".")
        else:
            found.append(place)
    return found


def _known_keys(asked: list[str]) -> KnownKeys:
    from canassist.cli.verifying import trust_folder
    from canassist.report import KnownKeys, read_trusted

    if asked:
        return KnownKeys(asked=frozenset(_asked_for(text) for text in asked))
    return KnownKeys(trusted=read_trusted(trust_folder()))


def _asked_for(text: str) -> str:
    """Return the fingerprint of a key that is named by its file or by its fingerprint."""
    from canassist.report import fingerprint, load_public_key

    path = Path(text)
    plain = "".join(text.split()).lower()
    if _FINGERPRINT.fullmatch(plain) and not path.is_file():
        return plain
    try:
        content = path.read_bytes()
    except OSError as error:
        problem = f"{text}: neither a public key's file nor a fingerprint ({error.strerror})."
        raise InputError(problem, "Give the .pub file, or the 64 letters of its print.") from error
    return fingerprint(load_public_key(content, path.name)).replace(" ", "")


def _read(page: Path) -> bytes:
    try:
        size = page.stat().st_size
        if size > LARGEST:
            problem = f"{page.name}: {size / 1e6:.0f} MB, larger than any report."
            raise InputError(problem, "Give the HTML page that canassist wrote.")
        return page.read_bytes()
    except OSError as error:
        problem = f"{page.name}: cannot be read as a report ({error.strerror})."
        raise InputError(problem, "Give the HTML page that canassist wrote.") from error
