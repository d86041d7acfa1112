"""One hostile input: how it is laid out, what is typed, how the command has to end."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from tests.frames.frame_samples import Sample
from tests.frames.text_writers import candump_line

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

USED, OURS, TYPED, UNUSABLE, DENIED = 0, 1, 2, 3, 4
"""Exit statuses: done, an error of ours, the command line, an input, ``verify`` says no."""

S = 1_000_000_000
MEGABYTE = 1 << 20
FIVE_MEGABYTES = 5 * MEGABYTE
"""The contract's measure: so much input takes at most 60 s of processor time and 1 GB."""

DBC = """VERSION ""
NS_ :
BS_:
BU_: Node
BO_ 291 ChassisMotion: 8 Node
 SG_ RoadSpeed : 0|16@1+ (0.01,0) [0|250] "km/h" Node
 SG_ EngineSpeed : 16|16@1+ (0.25,0) [0|8000] "rpm" Node
"""


class Case(NamedTuple):
    """A hostile input.

    Attributes
    ----------
    name : str
    build : callable
        Lays out the input in a folder and gives what is typed.
    statuses : sequence of int
        How the command may end; one, but where damage decides what is left.
    says : str
        What must stand in what it prints, in small letters.
    env : mapping
        Further environment of the command.
    big : bool
        About 5 MB, or otherwise long: only in the whole set.
    """

    name: str
    build: Callable[[Path], Sequence[object]]
    statuses: Sequence[int]
    says: str = ""
    env: tuple[tuple[str, str], ...] = ()
    big: bool = False


def frames(count: int, *, step_ns: int = S // 100, start_s: int = 1_700_000_000) -> list[Sample]:
    """Return frames of seven identifiers, one of them that of `DBC`."""
    return [
        Sample(
            start_s * S + step_ns * number,
            "can0",
            0x120 + number % 7,
            0,
            8,
            bytes((number * (37 + place)) & 0xFF for place in range(8)),
        )
        for number in range(count)
    ]


def candump(many: Sequence[Sample]) -> bytes:
    return "".join(f"{candump_line(one)}\n" for one in many).encode()


RIDE = candump(frames(700))


def log(data: bytes, name: str = "ride.log", *more: object) -> Callable[[Path], list[object]]:
    """Return a builder: this log, reported with `DBC`."""

    def build(folder: Path) -> list[object]:
        (folder / name).write_bytes(data)
        (folder / "v.dbc").write_text(DBC)
        return ["report", name, "--dbc", "v.dbc", *more]

    return build


def beside(
    name: str, data: bytes | str, *typed: object, ride: bytes = RIDE
) -> Callable[[Path], list[object]]:
    """Return a builder: a good log and database, another file, and what is typed."""

    def build(folder: Path) -> list[object]:
        (folder / "ride.log").write_bytes(ride)
        (folder / "v.dbc").write_text(DBC)
        (folder / name).write_bytes(data if isinstance(data, bytes) else data.encode())
        return list(typed)

    return build


def database(text: bytes | str) -> Callable[[Path], list[object]]:
    """Return a builder: a good log with this database."""
    return beside("odd.dbc", text, "report", "ride.log", "--dbc", "odd.dbc")


def profile(text: bytes | str) -> Callable[[Path], list[object]]:
    """Return a builder: a good log with this profile."""
    return beside("p.toml", text, "report", "ride.log", "--dbc", "v.dbc", "--profile", "p.toml")


def case_file(text: bytes | str) -> Callable[[Path], list[object]]:
    """Return a builder: a good log with this case file."""
    return beside("c.toml", text, "report", "ride.log", "--dbc", "v.dbc", "--case", "c.toml")
