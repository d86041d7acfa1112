"""Takes the bus events out of an MDF 4 file with asammdf, in a process of its own.

On a damaged file the library can bring down the process that it runs in, or ask for any amount
of memory. Run as ``python -m canassist.frames.formats.mf4.mf4_child LOG FOLDER``: writes the
records of each group into a file of the folder, and their layout to standard output as JSON,
with the identifiers that the library's own sorting of the bus finds, for comparison.
"""

from __future__ import annotations

import importlib
import json
import sys
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from canassist.frames.formats.mf4.mf4_layout import EVENTS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import ByteArray

_RECORDS: Final = 1 << 16  # at once
_MOST_MEMORY: Final = 8 << 30  # bytes; the library reads some groups whole
_NUMBERS: Final = (
    "ID", "IDE", "DLC", "DataLength", "Dir", "EDL", "BRS", "ESI", "BusChannel", "ErrorType",
)  # fmt: skip
_VIRTUAL: Final = (3, 6)
_LINEAR: Final = 1
TIME: Final = "time"
BYTES: Final = "DataBytes"


def _limit_memory() -> None:
    with suppress(ImportError, ValueError, OSError):  # there is no such limit on every system
        resource = importlib.import_module("resource")
        resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY, _MOST_MEMORY))


def main(log: str, folder: str) -> None:
    """Write the records of all groups."""
    _limit_memory()
    library: Any = importlib.import_module("asammdf")  # Any: it is used through few calls
    found = []
    with closing(library.MDF(log, process_bus_logging=False)) as file:
        for number, event, names, count in _groups(file):
            widths: dict[str, int] = {}
            with Path(folder, f"{number}.records").open("wb") as out:
                for begin in range(0, count, _RECORDS):
                    many = min(_RECORDS, count - begin)
                    columns = dict(_columns(file, number, event, names, begin, many))
                    widths = {name: column.shape[1] for name, column in columns.items()}
                    out.write(np.hstack(list(columns.values())).tobytes())
            one = {"file": f"{number}.records", "event": event, "widths": widths, "count": count}
            found.append(one)
    sys.stdout.write(json.dumps({"groups": found, "ids": _own_ids(library, log)}))


def _own_ids(library: Any, log: str) -> list[int]:  # noqa: ANN401 - see main
    """Return the identifiers of data frames as the library sorts them itself."""
    with closing(library.MDF(log, process_bus_logging=True)) as file:
        buses = file.bus_logging_map.get("CAN", {})
        return sorted({int(one) for ids in buses.values() for one in ids})


def _groups(file: Any) -> Iterator[tuple[int, str, dict[str, int], int]]:  # noqa: ANN401 - see main
    """Find the groups with bus events: number, event, channels by name, and their count."""
    for number, group in enumerate(file.groups):
        names = {str(channel.name): at for at, channel in enumerate(group.channels)}
        event = next((event for event in EVENTS if f"{event}.ID" in names), "")
        count = int(group.channel_group.cycles_nr)
        if event and count:
            yield number, event, names, count


def _columns(  # noqa: PLR0913, PLR0917 - one part of one group
    file: Any,  # noqa: ANN401 - see main
    number: int,
    event: str,
    names: dict[str, int],
    begin: int,
    many: int,
) -> Iterator[tuple[str, ByteArray]]:
    """Read a part of a group: name and bytes, shape (n, width), of every channel in use."""
    part = {"record_offset": begin, "record_count": many}
    yield TIME, _as_bytes(np.rint(file.get_master(number, **part) * 1e9), "<i8")
    for name in (BYTES, *_NUMBERS):
        place = names.get(f"{event}.{name}")
        if place is None:
            continue
        raw = not _says_value_by_formula(file.groups[number].channels[place])
        values, _ = file.get(group=number, index=place, raw=raw, samples_only=True, **part)
        if values.dtype.kind in "SU":  # a direction in words
            yield name, _as_bytes(np.char.startswith(values, values.dtype.type("T")), "<u4")
        elif values.ndim > 1:
            yield name, np.ascontiguousarray(values, dtype=np.uint8)
        else:
            yield name, _as_bytes(values, "<u4")


def _says_value_by_formula(channel: Any) -> bool:  # noqa: ANN401 - see main
    """Tell whether the number in the record, if there is one, is not yet the value."""
    linear = getattr(channel.conversion, "conversion_type", 0) == _LINEAR
    return int(channel.channel_type) in _VIRTUAL or linear


def _as_bytes(values: NDArray[Any], kind: str) -> ByteArray:
    plain = values.astype(kind)
    return plain.view(np.uint8).reshape(len(values), plain.itemsize)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
