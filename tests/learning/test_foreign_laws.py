"""What is learned from rides of modules that share no rule with the judge: near the truth."""

from __future__ import annotations

from pathlib import Path

import pytest

from canassist.learning.laws import learn_laws
from canassist.profile import read_profile
from tests.bench.learning import law_scores, measured
from tests.bench.learning_fleets import fleet, write_model


def test_a_law_of_road_speed_is_read_from_one_ride(tmp_path: Path) -> None:
    model = fleet("from_standstill", 0)
    write_model(model, tmp_path)
    one = measured(model, 0, "start_and_mixed", 0, tmp_path)
    protection = learn_laws(
        [one.figures], read_profile(tmp_path / "channels.toml")
    ).profile.protection
    at_rest = dict(model.law.speed["road_speed"])[0.0]
    assert protection.road_speed[0][1] == pytest.approx(at_rest, abs=5.0)
    assert protection.road_speed[-1][1] == 100.0
    assert not protection.supply


@pytest.mark.slow
@pytest.mark.parametrize("law", ["hysteresis_heat", "trip_and_cool", "engine_speed", "slow_start"])
def test_what_is_found_lies_within_5_pct_of_the_laws_range(law: str, tmp_path: Path) -> None:
    """One vehicle a model; `python -m tests.bench.learning laws` is the whole table."""
    scores = list(law_scores(law, 1, tmp_path, held_out=True))
    assert any(score.ridden and score.found for score in scores)
    for score in scores:
        assert not score.found or score.near, score.line()
