"""Limit lines: the published taper, what may have come back since, and what a ride shows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canassist.physics import fading, follow, limit_lines, supply_line_pct, temperature_line_pct
from canassist.profile import default_profile

LINES = limit_lines(default_profile())


def test_the_taper_equals_the_worked_points() -> None:
    """1 below 85, linear to 0 at 115: 84 -> 1, 92.5 -> 0.75, 100 -> 0.5, 115 -> 0."""
    given = temperature_line_pct(np.array([84.0, 85.0, 92.5, 100.0, 115.0, 130.0]), LINES)
    assert given == pytest.approx([100.0, 100.0, 75.0, 50.0, 0.0, 0.0])


def test_the_supply_line_falls_downwards() -> None:
    given = supply_line_pct(np.array([14.0, 11.0, 10.5, 10.0, 9.0, 5.0]), LINES)
    assert given == pytest.approx([100.0, 100.0, 75.0, 50.0, 0.0, 0.0])


def test_unknown_stays_unknown() -> None:
    assert np.isnan(temperature_line_pct(np.array([np.nan]), LINES)).all()
    assert np.isnan(supply_line_pct(np.array([np.nan]), LINES)).all()


def test_a_line_without_a_taper_is_a_step() -> None:
    step = replace(LINES, derate_start_c=100.0, derate_zero_c=100.0)
    assert temperature_line_pct(np.array([99.0, 100.0, 100.1]), step).tolist() == [
        100.0,
        100.0,
        0.0,
    ]


def test_the_source_says_whether_the_lines_were_given() -> None:
    assert LINES.source == "assumed"
    names = ("derate_start_c", "derate_zero_c", "derate_start_v", "derate_zero_v")
    given = replace(default_profile(), given=frozenset(f"limits.{name}" for name in names))
    assert limit_lines(given).source == "profile"


def test_a_module_follows_at_its_rates() -> None:
    """By hand: falls 10 % a step, rises 5 % a step of 0.1 s."""
    time_s = np.arange(7) / 10.0
    target = np.array([100.0, 60, 60, 60, 100, 100, np.nan])
    given = follow(time_s, target, fall_pct_s=100.0, rise_pct_s=50.0)
    assert given == pytest.approx([100.0, 90, 80, 70, 75, 80, 80])


def test_an_earlier_loss_fades_as_assist_comes_back() -> None:
    """By hand: 60 % at 0 s, coming back at 20 %/s."""
    time_s = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    loss = np.array([60.0, 0.0, 30.0, np.nan, 0.0])
    assert fading(time_s, loss, rise_pct_s=20.0) == pytest.approx([60.0, 40.0, 30.0, 10.0, 0.0])


def test_following_starts_at_the_first_known_target() -> None:
    """What a module gave before the first reading is not known to have been full assist."""
    target = np.array([np.nan, 60.0, 60.0])
    given = follow(np.arange(3) / 10.0, target, fall_pct_s=100.0, rise_pct_s=50.0)
    assert given == pytest.approx([60.0, 60.0, 60.0])
