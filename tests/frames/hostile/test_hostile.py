"""The hostile table: every input ends with the contract's status, within its bounds, in words.

By default a tenth is run, another one each day; ``-m slow`` runs all of them, the large ones too.
"""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest

from tests.frames.hostile.archives import ARCHIVES
from tests.frames.hostile.binary_logs import BINARY_LOGS
from tests.frames.hostile.bounded_run import MOST_BYTES, MOST_SECONDS, run
from tests.frames.hostile.case import OURS, USED, Case
from tests.frames.hostile.doors import DOORS
from tests.frames.hostile.misplaced import MISPLACED
from tests.frames.hostile.settings import SETTINGS
from tests.frames.hostile.text_logs import TEXT_LOGS

CASES = [*TEXT_LOGS, *BINARY_LOGS, *ARCHIVES, *SETTINGS, *DOORS, *MISPLACED]
TURNS = 10
TURN = int(os.environ.get("CANASSIST_TURN", time.time() // 86_400)) % TURNS
"""Which tenth it is today; the variable runs another day's again."""

SMALL = [one for one in CASES if not one.big]


def test_there_are_enough_and_each_has_a_name_of_its_own() -> None:
    assert len({one.name for one in CASES}) == len(CASES) >= 150


@pytest.mark.parametrize("case", SMALL[TURN::TURNS], ids=lambda case: case.name)
def test_a_tenth_ends_as_it_must(tmp_path: Path, case: Case) -> None:
    check(case, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_hostile_input_ends_as_it_must(tmp_path: Path, case: Case) -> None:
    check(case, tmp_path)


def check(case: Case, folder: Path) -> None:
    typed = case.build(folder)
    before = _listed(folder)
    done = run(typed, folder, dict(case.env))
    print(f"{case.name}: status {done.status}, {done.cpu_s:.1f} s, {done.peak_bytes >> 20} MB")
    assert done.status in case.statuses, done.printed
    assert OURS not in case.statuses
    assert "Traceback" not in done.printed
    assert "itself failed" not in done.printed
    assert case.says in done.printed.lower()
    assert done.cpu_s <= MOST_SECONDS
    assert done.peak_bytes <= MOST_BYTES
    after = _listed(folder)
    assert {name: after.get(name) for name in before} == before, "an input was changed"
    new = sorted(set(after) - set(before))
    if done.status != USED:
        assert not new, f"left behind: {new}"
        assert done.printed.strip(), "not a word"
    for name in new:
        assert not Path(name).name.startswith("."), f"half-written: {name}"
        if name.endswith(".json"):
            json.loads((folder / name).read_bytes())


def _listed(folder: Path) -> dict[str, int]:
    """Return what lies in a folder, with its size; links are not followed."""
    return {
        path.relative_to(folder).as_posix(): path.lstat().st_size
        for path in folder.rglob("*")
        if not path.is_dir() and "again" not in path.parts
    }
