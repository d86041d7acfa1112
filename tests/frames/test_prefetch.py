"""Work one step ahead: the same items, the same errors, and no thread left behind."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import closing

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canassist.frames.prefetch import ahead
from canassist.model import ReadReport


def running() -> list[str]:
    return [thread.name for thread in threading.enumerate() if thread.name == "reading ahead"]


@given(items=st.lists(st.integers(), max_size=12))
def test_items_come_in_their_order(items: list[int]) -> None:
    assert list(ahead(iter(items))) == items
    assert running() == []


def test_an_error_comes_after_the_items_before_it() -> None:
    def three() -> Iterator[int]:
        yield from (1, 2, 3)
        raise ValueError("torn")

    taken: list[int] = []
    with pytest.raises(ValueError, match="torn"):
        taken.extend(ahead(three()))
    assert taken == [1, 2, 3]
    assert running() == []


def test_a_taker_who_leaves_early_ends_the_thread() -> None:
    made: list[int] = []

    def endless() -> Iterator[int]:
        while True:
            made.append(len(made))
            yield made[-1]

    with closing(ahead(endless())) as items:
        assert next(items) == 0
        assert running() == ["reading ahead"]
    assert running() == []
    assert len(made) <= 5  # the one taken, those that wait, and one in hand


def test_the_next_item_is_made_while_the_taker_works() -> None:
    asked_again = threading.Event()

    def two() -> Iterator[int]:
        yield 1
        asked_again.set()
        yield 2

    with closing(ahead(two())) as items:
        assert next(items) == 1
        assert asked_again.wait(timeout=10.0)


def test_a_tally_takes_over_what_another_says() -> None:
    mine, other = ReadReport(), ReadReport()
    for place in range(ReadReport.MAX_PROBLEMS - 1):
        mine.add_problem(f"byte {place}", "damaged")
    for place in range(ReadReport.MAX_PROBLEMS + 3):
        other.add_problem(f"byte {place}", "cut", skipped=2)
    mine.take_over(other)
    assert len(mine.problems) == ReadReport.MAX_PROBLEMS
    assert mine.problems[-1].what == "cut"
    assert mine.unlisted == ReadReport.MAX_PROBLEMS + 2
    assert mine.skipped == 2 * (ReadReport.MAX_PROBLEMS + 3)


def test_what_puts_all_in_doubt_comes_first_and_always_finds_room() -> None:
    mine, other = ReadReport(), ReadReport()
    for place in range(ReadReport.MAX_PROBLEMS + 5):
        mine.add_problem(f"byte {place}", "skipped")
    other.add_problem("byte 1", "its checksum is wrong", doubtful=True)
    mine.take_over(other)
    assert mine.doubtful
    assert mine.problems[0].what == "its checksum is wrong"
    assert len(mine.problems) == ReadReport.MAX_PROBLEMS
    assert mine.unlisted == 6
