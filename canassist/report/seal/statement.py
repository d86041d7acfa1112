"""What was stated when a page was made, as data in the page, so that it can be made again.

The log, the database and the profile prove what follows from them. All else that decides
the page's bytes was told by whoever made it: this is the list of it.
"""

from __future__ import annotations

import json
import sys
import zlib
from dataclasses import dataclass, field, fields
from functools import cache
from importlib import metadata
from typing import TYPE_CHECKING, Any, Final, Literal, get_args

import rfc8785

from canassist.report.page.embedded_data import script_text
from canassist.version import VERSION

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

STATEMENT_SCHEMA: Final = "canassist-statement/1"
LARGEST: Final = 2 << 20
"""Most bytes of a statement that is read: one of a thousand files has 0.2 MB."""

LIBRARIES: Final = (
    "cantools",
    "jinja2",
    "markupsafe",
    "numpy",
    "pandas",
    "plotly",
    "python-can",
    "rfc8785",
)
"""What decides bytes of a page besides our own code: reading, figures, templates, pictures."""

PageKind = Literal["report", "comparison", "screening", "learning"]
Moments = tuple[float, ...] | tuple[tuple[float, float], ...]
Json = dict[str, Any]  # Any: JSON values have any JSON type


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedFile:
    """A file that a page was made from: its role, its name there, and its SHA-256.

    ``bus`` is the bus that a database was tied to, ``sides`` says whose it is in a comparison.
    """

    role: str
    name: str
    sha256: str
    size_bytes: int
    bus: str = ""
    sides: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedNote:
    """A note of whoever rode along: seconds since the earliest frame, and its words."""

    at_s: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedSide:
    """One side of a comparison: its name, and the hashes of each ride's logs."""

    name: str
    rides: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PageStatement:
    """All that was stated when a page was made.

    Attributes
    ----------
    kind : str
        What the page is.
    made_on : str
        The day that the page names as its own, ISO 8601; empty where it names none.
    units, zone, unmask
        How the page is shown.
    vin_doubted, vehicle_masked : bool
        A vehicle number among the case data did not fit its check digit, or there was one at
        all; masked as it stands here, that can no longer be seen.
    case : mapping of str to str
        What the workshop said of the job, masked as the page is.
    moments_s : tuple of float
        The moments of the complaint, in seconds.
    recorder : mapping of str to array
        What the recorder wrote down: the fields of `canassist.model.RecorderNotes`.
    notes : tuple of StatedNote
        What was written down while riding, masked as the page is.
    inputs : tuple of StatedFile
    sides : tuple of StatedSide
        A and B of a comparison; empty for other pages.
    options : mapping of str to JSON value
        Further options that decide the result.
    versions : mapping of str to str
        Of canassist, and of what else decides bytes.
    """

    kind: PageKind
    made_on: str = ""
    units: str = "metric"
    zone: str = ""
    unmask: bool = False
    vin_doubted: bool = False
    vehicle_masked: bool = False
    case: Mapping[str, str] = field(default_factory=dict)
    moments_s: tuple[float, ...] = ()
    recorder: Mapping[str, Moments] = field(default_factory=dict)
    notes: tuple[StatedNote, ...] = ()
    inputs: tuple[StatedFile, ...] = ()
    sides: tuple[StatedSide, ...] = ()
    options: Mapping[str, bool | float | str] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)

    def of_role(self, role: str) -> list[StatedFile]:
        """Return the files of one role, in their order."""
        return [item for item in self.inputs if item.role == role]


@cache
def own_versions() -> Mapping[str, str]:
    """Return the versions of canassist and of what else decides bytes, here and now."""
    found = {"canassist": VERSION, "python": f"{sys.version_info[0]}.{sys.version_info[1]}"}
    found["zlib"] = zlib.ZLIB_RUNTIME_VERSION
    for name in LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:  # laid out by hand, without its data
            found[name] = "unknown"
    return found


def statement_json(statement: PageStatement) -> bytes:
    """Return a statement as canonical JSON; what is empty is left out."""
    found: Json = {"schema": STATEMENT_SCHEMA, "kind": statement.kind}
    for item in fields(PageStatement):
        value = getattr(statement, item.name)
        if item.name != "kind" and value:
            found[item.name] = _plain(value)
    return rfc8785.dumps(found)


def _plain(value: Any) -> Any:  # noqa: ANN401 - fields take several types
    if isinstance(value, str):  # half a surrogate pair, which no UTF-8 can hold, is replaced
        return value.encode("utf-16", "surrogatepass").decode("utf-16", "replace")
    if isinstance(value, (StatedFile, StatedNote, StatedSide)):
        return {
            item.name: _plain(getattr(value, item.name))
            for item in fields(value)
            if getattr(value, item.name) != ""
        }
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "items"):
        return {name: _plain(item) for name, item in value.items()}
    return value


def read_statement(data: bytes) -> PageStatement:
    """Return the statement that a page carries, spelled as its script element has it.

    Raises
    ------
    ValueError
        If it is none that canassist writes: anyone can put anything into a page.
    """
    if len(data) > LARGEST:
        message = "longer than any statement"
        raise ValueError(message)
    try:
        found = json.loads(data)
        if found.pop("schema") != STATEMENT_SCHEMA:
            message = "of another schema"
            raise ValueError(message)
        made = _statement(found)
        same = script_text(statement_json(made)).encode("utf-8") == data
    except (AttributeError, KeyError, TypeError, RecursionError, OverflowError) as error:
        message = "not laid out as canassist does"
        raise ValueError(message) from error
    except rfc8785.CanonicalizationError as error:
        message = "it holds what no statement of ours does"
        raise ValueError(message) from error
    if not same:
        message = "spelled otherwise than canassist does"
        raise ValueError(message)
    return made


def _statement(found: Json) -> PageStatement:
    kind: PageKind = found.pop("kind")
    if kind not in get_args(PageKind):
        message = "of an unknown kind"
        raise ValueError(message)
    inputs = tuple(StatedFile(**item) for item in found.pop("inputs", ()))
    sides = tuple(
        StatedSide(name=item["name"], rides=tuple(tuple(ride) for ride in item["rides"]))
        for item in found.pop("sides", ())
    )
    moments = tuple(float(item) for item in found.pop("moments_s", ()))
    notes = tuple(
        StatedNote(at_s=float(item["at_s"]), text=item["text"]) for item in found.pop("notes", ())
    )
    recorder = {
        name: tuple(_moment(item) for item in items)
        for name, items in found.pop("recorder", {}).items()
    }
    made = PageStatement(
        kind=kind,
        inputs=inputs,
        sides=sides,
        moments_s=moments,
        recorder=recorder,
        notes=notes,
        **found,
    )
    _check_types(made)
    return made


def _moment(found: Any) -> Any:  # noqa: ANN401 - a number, or a pair of them
    if isinstance(found, list):
        begin, end = found
        return float(begin), float(end)
    return float(found)


def _check_types(made: PageStatement) -> None:
    texts: list[object] = [made.made_on, made.units, made.zone]
    for item in made.inputs:
        texts += [item.role, item.name, item.sha256, item.bus, item.sides]
    texts += [item.text for item in made.notes]
    for side in made.sides:
        texts += [side.name, *(sha for ride in side.rides for sha in ride)]
    for table in (made.case, made.versions):
        texts += [*table.keys(), *table.values()]
    flags: Sequence[object] = (made.unmask, made.vin_doubted, made.vehicle_masked)
    sizes = [item.size_bytes for item in made.inputs]
    sound = (
        all(isinstance(text, str) for text in texts)
        and all(isinstance(flag, bool) for flag in flags)
        and all(isinstance(size, int) for size in sizes)
        and all(isinstance(item, (bool, float, int, str)) for item in made.options.values())
        and made.units in {"metric", "us"}
    )
    if not sound:
        message = "a value of another type"
        raise ValueError(message)
