"""A log file that was damaged after the ride: its damage is blamed on no part."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from canassist import Result, analyze
from canassist.model import BLAMELESS, Code, EventKind, Strength

ROOT = Path(__file__).resolve().parents[2]
LOG = ROOT / "sample_logs" / "healthy_mixed.log.gz"
DBC = ROOT / "dbc_demo" / "demo_trail_vehicle.dbc"
PROFILE = ROOT / "dbc_demo" / "demo_trail_vehicle.toml"
FLIPS = 24


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> list[Result]:
    """Read a sound ride with one bit of its packed file turned, at drawn places."""
    raw, dice = LOG.read_bytes(), random.Random(1)  # noqa: S311 - places, not secrets
    path = tmp_path_factory.mktemp("damaged") / "ride.log.gz"
    found = []
    for _ in range(FLIPS):
        torn = bytearray(raw)
        torn[dice.randrange(1000, len(raw) - 20)] ^= 1 << dice.randrange(8)
        path.write_bytes(torn)
        found.append(analyze(path, dbc=DBC, profile=PROFILE))
    return found


def test_every_damage_is_told(results: list[Result]) -> None:
    for result in results:
        assert any("damaged" in problem.what for problem in result.log.problems)


def test_what_the_damage_looks_like_blames_no_part(results: list[Result]) -> None:
    odd = [result for result in results if any(e.kind != EventKind.DERATE for e in result.events)]
    assert odd, "no place was drawn where the damage looks like a fault"
    for result in results:
        blamed = [
            item.code
            for item in result.conclusions
            if item.code not in BLAMELESS and item.strength != Strength.WEAK
        ]
        assert blamed == []
        assert result.conclusions[0].code in {Code.INCONCLUSIVE, Code.NO_FAULT_FOUND}


def test_the_answer_says_that_the_file_is_damaged_and_what_to_do(results: list[Result]) -> None:
    doubtful = [result for result in results if result.timeline.bus.doubtful]
    assert doubtful
    for result in doubtful:
        assert "damaged" in result.conclusions[0].headline
        assert "Copy the log" in result.coverage.ride_next[0]
        assert any("damaged" in text for text in result.coverage.cannot_tell)
