"""A planted fleet: every faulty vehicle on top, no sound one flagged; its page is accessible."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from canassist.screen import screen
from tests.screen.fleets import make_fleet

if TYPE_CHECKING:
    from playwright.sync_api import Browser

    from canassist.screen import Screened

PLANTED = (*["path_resistance"] * 3, *["not_charging"] * 2, "offset_right", *["mixed"] * 34)


@pytest.fixture(scope="module")
def planted(tmp_path_factory: pytest.TempPathFactory) -> Screened:
    folder = tmp_path_factory.mktemp("planted")
    fleet = make_fleet(folder / "fleet", PLANTED)
    return screen([str(fleet.logs)], folder / "out", dbc=[fleet.dbc], profile=fleet.profile)


@pytest.mark.slow
def test_the_six_faulty_of_forty_vehicles_are_flagged_and_no_other(planted: Screened) -> None:
    found = planted.screening
    assert (found.read, found.logs, len(found.vehicles)) == (40, 40, 40)
    names = {f"vehicle{number:02d}" for number in range(6)}
    assert {item.name for item in found.vehicles if item.flagged} == names
    assert {item.name for item in found.vehicles[:6]} == names
    rates = {rate.label: rate.affected for rate in found.by_code}
    assert rates["supply_resistance"] == 3
    assert rates["charging_fault"] == 2
    assert rates["torque_sensor_offset"] == 1


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_overview_is_accessible_and_loads_nothing(
    planted: Screened, browser: Browser, scheme: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415 - few tests need it

    context = browser.new_context(color_scheme=scheme, bypass_csp=True)  # type: ignore[arg-type]  # a literal
    page = context.new_page()
    page.goto(planted.page.as_uri())
    for width in (1200, 390):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert Axe().run(page).response["violations"] == []
    context.close()
    text = planted.page.read_text("utf-8")
    assert text.count("<script") == text.count('<script type="application/json"') + 1 == 2
    assert "src=" not in text
    assert Path(planted.page).stat().st_size < 200_000
