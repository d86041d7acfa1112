"""Conversions against their definitions."""

from __future__ import annotations

import math

import pytest

from canassist.units import conversion


def to_inside(value: float, unit: str, wanted: str) -> float:
    rule = conversion(unit, wanted)
    assert rule is not None
    return value * rule.scale + rule.offset


@pytest.mark.parametrize(
    ("value", "unit", "wanted", "expected"),
    [
        (1.0, "mph", "km/h", 1.609344),  # international mile, exact
        (10.0, "m/s", "km/h", 36.0),
        (2.0 * math.pi, "rad/s", "rpm", 60.0),
        (13800, "mV", "V", 13.8),
        (212.0, "degF", "degC", 100.0),  # boiling point of water
        (32.0, "°F", "degC", 0.0),
        (273.15, "K", "degC", 0.0),
        (math.pi, "rad", "deg", 180.0),
        (1.0, "lbf·ft", "N·m", 1.3558179483314004),  # NIST SP 811, appendix B
        (12.0, "lb-in", "N·m", 1.3558179483314004),
        (2500, "mN·m", "N·m", 2.5),
        (355, "A/10", "A", 35.5),
        (0.5, "1", "%", 50.0),
        (85.0, "Degrees C", "degC", 85.0),
        (212.0, "Degree F", "degC", 100.0),
        (1.0, "ft·lb", "N·m", 1.3558179483314004),
        (4.0, "N\u22c5m", "N·m", 4.0),  # the dot of formulas, not the one between words
        (10.0, "mile/h", "km/h", 16.09344),
    ],
)
def test_a_value_comes_out_as_its_definition_says(
    value: float, unit: str, wanted: str, expected: float
) -> None:
    assert to_inside(value, unit, wanted) == pytest.approx(expected, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("unit", ["", "bar", "parsec", "V"])
def test_a_unit_of_another_quantity_gives_no_conversion(unit: str) -> None:
    assert conversion(unit, "km/h") is None


def test_case_blanks_and_underscores_do_not_matter() -> None:
    assert conversion(" Km / H ", "km/h") == conversion("km/h", "km/h")
    assert conversion("DEG_C", "degC") == conversion("degC", "degC")
