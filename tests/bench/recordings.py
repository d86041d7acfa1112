"""What is said on each real recording, one line a file.

Run from the project's folder, with the recordings beside it (or named)::

    python -m tests.bench.recordings [FOLDER] [--lacks]

Each file is judged alone with its vehicle's database, and with the profile where one is kept;
the parts of a trip also as one ride. No recording holds a reduction of assist while driving.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import canassist
from tests.frames.test_values_of_recordings import DATABASES

NOT_LOGS = frozenset({".csv", ".tsv", ".md", ".json", ".dbc", ".toml"})
ELSEWHERE = frozenset({"dbc", "dbc_real", "profiles", "vectors"})
PROFILES = dict.fromkeys(("car_e", "car_f", "car_i"), "car_e_f_i") | {"car_a": "car_a"}
ODD = "odd_real"
TRIPS = (
    ("car_j_obd/trip1_part1.asc", "car_j_obd/trip1_part2.asc"),
    ("car_j_obd/trip1_cut_a.blf", "car_j_obd/trip1_cut_b.mf4", "car_j_obd/trip1_cut_c.log"),
)
BLAMELESS = frozenset(
    {"no_fault_found", "inconclusive", "thermal_protection", "duty_protection", "mechanical_load"}
)


class SaidOfRecording(NamedTuple):
    """One way to judge one recording, and what came of it."""

    name: str
    given: str
    seconds: float
    channels: int
    said: tuple[tuple[str, str], ...]
    lacking: tuple[str, ...]
    error: str

    @property
    def blames(self) -> bool:
        """Whether a part is blamed at moderate or more."""
        return any(code not in BLAMELESS and word in {"strong", "moderate"}
                   for code, word in self.said)  # fmt: skip


def _ways(folder: Path) -> Iterator[tuple[tuple[str, ...], str, str]]:
    """Give each file, and each trip, with the database and the profile that it has."""
    for place in sorted(folder.iterdir()):
        if not place.is_dir() or place.name in ELSEWHERE:
            continue
        for log in sorted(place.iterdir()):
            if log.suffix in NOT_LOGS and place.name != ODD:
                continue
            name, database = f"{place.name}/{log.name}", DATABASES.get(place.name, "")
            yield (name,), database, ""
            if place.name in PROFILES:
                yield (name,), database, f"profiles/{PROFILES[place.name]}.toml"
    for trip in TRIPS:
        yield trip, "", ""


def said_of_recordings(folder: Path) -> Iterator[SaidOfRecording]:
    """Judge every recording in the folder."""
    for names, database, profile in _ways(folder):
        given = " + ".join(Path(item).stem for item in (database, profile) if item) or "-"
        title = names[0] if len(names) == 1 else f"{names[0]} (trip of {len(names)})"
        try:
            result = canassist.analyze(
                [folder / name for name in names],
                dbc=folder / database if database else (),
                profile=folder / profile if profile else None,
            )
        except canassist.CanassistError as problem:
            yield SaidOfRecording(title, given, 0.0, 0, (), (), str(problem)[:90])
            continue
        first = result.conclusions[0]
        yield SaidOfRecording(
            title, given, round(result.log.duration_s, 1), len(result.timeline.channels),
            tuple((str(item.code), str(item.strength or "")) for item in result.conclusions),
            tuple(item.text for item in first.because), "",
        )  # fmt: skip


def main() -> int:
    """Print the table; returns 1 where a part is blamed at moderate or more."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    options.add_argument("folder", type=Path, nargs="?", default=Path("../shared/data"))
    options.add_argument("--lacks", action="store_true", help="also why the first answer is it")
    given = options.parse_args()
    blamed = count = 0
    for row in said_of_recordings(given.folder):
        count += 1
        blamed += row.blames
        words = ", ".join(f"{code} {word}".strip() for code, word in row.said) or row.error
        print(f"{row.name:52s} {row.given:28s} {row.seconds:7.1f} s {row.channels:2d}  {words}")
        for text in row.lacking if given.lacks else ():
            print(f"      {text[:150]}")
    print(f"\n{count} ways to judge: {blamed} blame a part at moderate or more")
    return int(blamed > 0)


if __name__ == "__main__":
    sys.exit(main())
