"""Figures read alike everywhere: unit, decimals, limit beside the value."""

from __future__ import annotations

import pytest

from canassist.conclude.wording import sentences
from tests.conclude.hand_made import estimate


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.44, "0.4 s"), (9.96, "10.0 s"), (27.4, "27 s"), (125.0, "2 min 5 s"), (120.0, "2 min")],
)
def test_durations(seconds: float, text: str) -> None:
    assert sentences.duration(seconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"), [(0.0, "0:00"), (61.2, "1:01"), (59.99, "0:59"), (3661.0, "61:01")]
)
def test_clock_is_what_the_option_takes(seconds: float, text: str) -> None:
    assert sentences.clock(seconds) == text


def test_a_value_beside_its_limit_shows_on_which_side_it_lies() -> None:
    assert sentences.pair(11.2, 11.0, "V") == ("11.2 V", "11.0 V")
    assert sentences.pair(10.98, 11.0, "V") == ("10.98 V", "11.00 V")
    assert sentences.pair(11.0, 11.0, "V") == ("11.0 V", "11.0 V")
    assert sentences.pair(None, 11.0, "V") == ("unknown", "11.0 V")


def test_unknown_is_a_word_and_zero_has_no_sign() -> None:
    assert sentences.volts(float("nan")) == "unknown"
    assert sentences.torque(-0.01) == "0.0 N·m"


def test_a_torque_has_a_side_only_where_its_sign_is_known() -> None:
    assert sentences.sided_torque(0.744, sign_known=True) == "0.74 N·m to the right"
    assert sentences.sided_torque(-0.744, sign_known=True) == "0.74 N·m to the left"
    assert sentences.sided_torque(-0.744, sign_known=False) == "0.74 N·m"


def test_a_resistance_shows_interval_and_limit() -> None:
    wide, narrow = estimate(0.052, 0.048, 0.057), estimate(0.0601, 0.06, 0.0602)
    assert sentences.resistance(wide, 0.03) == "52 mΩ (48 to 57, limit 30 mΩ)"
    assert sentences.resistance(narrow, 0.03) == "60.1 mΩ (60.0 to 60.2, limit 30 mΩ)"


def test_how_often_and_which() -> None:
    assert [sentences.times(n) for n in (1, 2, 4)] == ["once", "twice", "4 times"]
    assert sentences.which(1, 1)["which"] == "the one reduction"
    assert sentences.which(2, 2)["Which"] == "Both reductions"
    assert sentences.which(4, 4)["which"] == "all 4 reductions"
    assert sentences.which(2, 4)["which"] == "2 of 4 reductions"


def test_lists_read_as_a_sentence() -> None:
    assert sentences.listed(["a"]) == "a"
    assert sentences.listed(["a", "b", "c"]) == "a, b and c"


def test_a_missing_sentence_or_figure_is_a_slip_and_not_a_blank() -> None:
    with pytest.raises(KeyError):
        sentences.say("event.no_such_thing")
    with pytest.raises(KeyError):
        sentences.say("event.overvoltage", high="16 V")
