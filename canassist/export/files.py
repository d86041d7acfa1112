"""What is written for other tools, as bytes by path; whoever asks writes them."""

from __future__ import annotations

import csv
import io
import json
from importlib import util
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.errors import MissingExtraError
from canassist.export.aligned import Aligned, align

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from canassist.model import Result

_EVENT_COLUMNS: Final = (
    "number",
    "kind",
    "start_s",
    "end_s",
    "cause",
    "severity",
    "channel",
    "code",
    "measured",
    "expected",
    "limits",
    "text",
)
_CONCLUSION_COLUMNS: Final = (
    "rank",
    "code",
    "role",
    "strength",
    "explains",
    "explains_complaint",
    "headline",
    "basis",
)
_PLACES: Final = 6
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes a cell that begins so for a formula."""


def export_files(
    result: Result, folder: Path, stem: str, *, formats: Sequence[str] = ()
) -> dict[Path, bytes]:
    """Return the files that give a ride's channels and events to other tools.

    Parameters
    ----------
    result : Result
        What was found on the ride.
    folder : path
        Where the files will lie.
    stem : str
        What their names begin with.
    formats : sequence of {"csv", "parquet", "mf4"}
        How the channels are written; all that the installed libraries can write if
        empty. Events and conclusions are always CSV.

    Returns
    -------
    dict of path to bytes
        ``STEM.events.csv``, ``STEM.conclusions.csv`` and ``STEM.channels.csv``, ``.parquet``,
        ``.mf4``.

    Raises
    ------
    MissingExtraError
        If a format is asked for whose library is not installed.
    ValueError
        If a format is not one of `FORMATS`.
    """
    wanted = formats or tuple(name for name, library in _LIBRARY.items() if _installed(library))
    unknown = set(wanted) - set(FORMATS)
    if unknown:
        message = f"unknown formats: {sorted(unknown)}"
        raise ValueError(message)
    files = {
        folder / f"{stem}.events.csv": _events(result),
        folder / f"{stem}.conclusions.csv": _conclusions(result),
    }
    aligned = align(result)
    for name in wanted:
        _require(name)
        files[folder / f"{stem}.channels.{name}"] = _WRITERS[name](result, aligned)
    return files


def _installed(library: str) -> bool:
    return not library or util.find_spec(library) is not None


def _require(name: str) -> None:
    library = _LIBRARY[name]
    if not _installed(library):
        problem = f"Writing {name} needs {library}, which is not installed."
        raise MissingExtraError(problem, f'Install it with `pip install "canassist[{name}]"`.')


def _events(result: Result) -> bytes:
    rows = (
        (
            number,
            event.kind,
            _number(event.start_s),
            _number(event.end_s),
            event.cause or "",
            event.severity,
            event.channel or "",
            event.code,
            _figures(event.measured.items()),
            _figures(event.expected.items()),
            _figures(event.limits.items()),
            event.text,
        )
        for number, event in enumerate(result.events, start=1)
    )
    return _csv(_EVENT_COLUMNS, rows)


def _conclusions(result: Result) -> bytes:
    rows = (
        (
            item.rank,
            item.code,
            item.role,
            item.strength or "",
            _number(item.explains),
            item.explains_complaint or "",
            item.headline,
            item.basis,
        )
        for item in result.conclusions
    )
    return _csv(_CONCLUSION_COLUMNS, rows)


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}"


def _figures(figures: Iterable[tuple[str, float | str]]) -> str:
    """Return figures as one JSON object, so that a script reads them back."""
    plain = {
        name: value if isinstance(value, str) else round(float(value), _PLACES)
        for name, value in figures
        if isinstance(value, str) or np.isfinite(value)
    }
    return json.dumps(plain, ensure_ascii=False)


def _csv(head: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return text.getvalue().encode("utf-8", "replace")


def _cell(value: object) -> object:
    """Return a cell that no spreadsheet runs: foreign text gets an apostrophe in front."""
    if isinstance(value, str) and value.startswith(_FORMULA) and not _is_number(value):
        return f"'{value}"
    return value


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _channels_csv(result: Result, aligned: Aligned) -> bytes:
    head = ["time_s", *aligned.values, *aligned.words]
    columns = [_texts(aligned.time_s, 3), *(_texts(item, 4) for item in aligned.values.values())]
    words = [[str(_cell(word)) for word in item] for item in aligned.words.values()]
    del result  # every writer is asked alike
    return _csv(head, zip(*columns, *words, strict=True))


def _texts(values: np.ndarray[tuple[int], np.dtype[np.float64]], places: int) -> list[str]:
    return ["" if value != value else f"{value:.{places}f}" for value in values.tolist()]  # noqa: PLR0124 - NaN


def _channels_parquet(result: Result, aligned: Aligned) -> bytes:
    import pyarrow as pa  # type: ignore[import-untyped]  # noqa: PLC0415 - ships no types; an extra
    from pyarrow import parquet  # noqa: PLC0415 - the same

    start = result.log.start_utc
    about = {
        "start_utc": start.isoformat() if start else "",
        "made_by": f"canassist {result.version}",
    }
    columns = {"time_s": pa.array(aligned.time_s)}
    columns |= {name: pa.array(item, from_pandas=True) for name, item in aligned.values.items()}
    columns |= {name: pa.array(item) for name, item in aligned.words.items()}
    target = pa.BufferOutputStream()
    parquet.write_table(pa.table(columns, metadata=about), target, compression="zstd")
    content: bytes = target.getvalue().to_pybytes()
    return content


def _channels_mf4(result: Result, aligned: Aligned) -> bytes:
    """Return MDF 4 with each channel on its own time base, as it was recorded."""
    from canassist.export.measurement import measurement_bytes  # noqa: PLC0415 - an extra, and slow

    del aligned  # this format keeps every sample where it was
    return measurement_bytes(result)


_LIBRARY: Final = {"csv": "", "parquet": "pyarrow", "mf4": "asammdf"}
FORMATS: Final = tuple(_LIBRARY)
_WRITERS: Final[dict[str, Callable[[Result, Aligned], bytes]]] = {
    "csv": _channels_csv,
    "parquet": _channels_parquet,
    "mf4": _channels_mf4,
}
