"""Every fast way of reading is worth its lines: ratios against a plain loop, with wide margins.

The long measurement is `tests/bench/reading.py`. Here about a third of what a short log gives
is asked for, so that a fast way that is lost falls, and a busy machine does not.
"""

from __future__ import annotations

from pathlib import Path

import can
import pytest

from canassist.frames import ReadRequest, open_log
from tests.bench.ride_log import draw, write_log
from tests.speed.ratios import ratio

FRAMES = 40_000
LEAST = {".log": 4.0, ".log.gz": 4.0, ".asc": 4.0, ".csv": 2.0, ".blf": 3.0}
"""At least so many times less processor time than the plain loop, all frames read by both."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("speed")
    frames = draw(FRAMES)
    for ending in LEAST:
        write_log(frames, home / f"ride{ending}")
    return home


@pytest.mark.parametrize("ending", sorted(LEAST))
def test_reading_is_many_times_faster_than_a_plain_loop(folder: Path, ending: str) -> None:
    log = folder / f"ride{ending}"

    def plain() -> int:
        with can.LogReader(log) as reader:
            return sum(1 for _ in reader)

    def ours() -> int:
        return sum(len(block) for block in open_log([log]).blocks(request=ReadRequest()))

    assert plain() == ours() == FRAMES
    measured = ratio(plain, ours)

    assert measured > LEAST[ending], f"{ending}: {measured:.1f} times"
