"""Fourteen real databases with answers by hand: right without a question, or asked; never wrong.

The rides are drawn over their layouts at run time; no name of theirs stands here.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canassist.decode import Databases, decode_ride, load_databases, plan_reading
from canassist.profile import default_profile
from tests.decode.drawn_bus import Answer, DrawnBus, draw_bus, read_answers
from tests.decode.invented_ride import ride

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from canassist.decode import DecodedRide
    from canassist.model import Channel

SEED = 1


@cache
def drawn(folder: Path, name: str) -> tuple[Databases, DrawnBus]:
    databases = load_databases([folder / name])
    return databases, draw_bus(databases, answers_of(folder)[name], seed=SEED)


@cache
def answers_of(folder: Path) -> Mapping[str, Mapping[str, Answer]]:
    return read_answers(folder / "answers.tsv")


def decoded(folder: Path, name: str, *, without: frozenset[str] = frozenset()) -> DecodedRide:
    databases, bus = drawn(folder, name)
    if without:
        kept = tuple(
            replace(m, signals=tuple(one for one in m.signals if one.full_name not in without))
            for m in databases.messages
        )
        databases = replace(databases, messages=kept)
    profile = default_profile()
    return decode_ride(bus.frames, plan_reading(databases, profile), profile, bus.stats)


def verdict(found: DecodedRide, channel: str, answer: Answer) -> str:
    """Return right, asked, open, none or wrong."""
    one, choice = found.channels.get(channel), found.ranking.get(channel)
    if one is None:
        asked = choice is not None and choice.doubt
        return "asked" if asked else "open" if answer.acceptable else "none"
    if one.doubt or one.held_out or not one.unit_known:
        return "asked"
    right = one.signal in answer.acceptable
    return "right" if right and _reads_true(one) else "wrong"


def _reads_true(one: Channel) -> bool:
    expected = np.interp(one.time_s, ride(SEED)["time"], ride(SEED)[one.name])
    apart = np.nanmedian(np.abs(np.abs(one.value) - np.abs(expected)))
    return bool(apart <= 0.05 * np.ptp(expected) + 0.5)


def test_none_is_wrong_in_silence_and_four_of_five_are_right_without_a_question(
    shared_data: Path,
) -> None:
    folder = shared_data / "dbc_real"
    counts: Counter[str] = Counter()
    for name, answers in answers_of(folder).items():
        found = decoded(folder, name)
        for channel, answer in answers.items():
            said = verdict(found, channel, answer)
            assert said != "wrong", f"{name}: {channel}"
            counts[said] += bool(answer.acceptable) and not answer.optional
    assert counts["right"] >= 0.8 * counts.total()


@pytest.mark.slow
def test_no_other_signal_steps_in_for_one_that_is_missing(shared_data: Path) -> None:
    folder = shared_data / "dbc_real"
    for name, answers in answers_of(folder).items():
        for channel, answer in answers.items():
            if not answer.acceptable:
                continue
            found = decoded(folder, name, without=answer.acceptable)
            for other, its in answers.items():
                left = Answer(acceptable=its.acceptable - answer.acceptable)
                said = verdict(found, other, left)
                assert said != "wrong", f"{name} without {channel}: {other}"


def test_its_own_database_is_never_called_another_vehicles(shared_data: Path) -> None:
    folder = shared_data / "dbc_real"
    for name in answers_of(folder):
        found = decoded(folder, name)
        assert found.fit is not None
        assert not found.fit.reason, name
