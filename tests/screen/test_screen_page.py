"""The overview's size, words and links."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

import pytest

from canassist.model.screening import ScreenedLog, ScreenFigure
from canassist.report.screen_page import render_screening
from canassist.screen.rides import Rides
from canassist.screen.statistics import screening

RIDE = ScreenedLog(
    log="",
    code="no_fault_found",
    strength="strong",
    duration_s=600.0,
    month="2026-05",
    figures={
        ScreenFigure.PATH_OHM: 0.0081,
        ScreenFigure.CHARGING_V: 14.1,
        ScreenFigure.OFFSET_NM: -0.001,
        ScreenFigure.DERATE_S_PER_SLOW_MIN: 0.2,
        ScreenFigure.ONSET_C: 85.0,
    },
)
BYTES = 3_000_000


def page_of(logs: Iterable[ScreenedLog]) -> str:
    with Rides() as rides:
        for item in logs:
            rides.add(item)
        return render_screening(screening(rides, version="0"))


def rides(count: int, vehicles: int) -> list[ScreenedLog]:
    """Return rides of some vehicles, or of vehicles that nobody told."""
    return [
        replace(
            RIDE,
            log=f"/recordings/depot/ride{number:06d}.log.gz",
            vehicle=f"vehicle{number % vehicles:04d}" if vehicles else "",
            batch=f"batch{number % 7}",
        )
        for number in range(count)
    ]


@pytest.mark.parametrize("vehicles", [0, 2000])
def test_ten_thousand_logs_stay_below_three_megabytes(vehicles: int) -> None:
    page = page_of(rides(10_000, vehicles))
    assert len(page.encode()) <= BYTES
    assert page.count("ride00") == 10_000  # every one of them is on it


def test_every_link_has_its_target() -> None:
    logs = rides(60, 20)
    logs[3] = replace(logs[3], code="low_battery", blames=True)
    logs[4] = replace(logs[4], figures={ScreenFigure.CHARGING_V: 12.0})
    page = page_of(logs)
    targets = set(re.findall(r'id="([^"]+)"', page))
    links = set(re.findall(r'href="#([^"]+)"', page))
    assert links <= targets
    assert "v1" in links


def test_a_tiny_negative_figure_is_shown_as_zero() -> None:
    page = page_of(rides(10, 10))
    assert "-0.00" not in page


def test_what_is_unread_says_why() -> None:
    broken = replace(RIDE, log="b.log", status="damaged", reason="b.log: cut <off>")
    page = page_of([*rides(3, 3), broken])
    assert "b.log: cut &lt;off&gt;" in page
