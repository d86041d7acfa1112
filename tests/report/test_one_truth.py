"""The finished page says each thing once: what stands in two places is the same there."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from canassist.demo import demo_profile, simulate
from canassist.judging import judge
from canassist.model import Case, InputFile, LogSummary, Profile, Result, Timeline
from canassist.pipeline import analyze
from canassist.report import PageOptions, answer_lines, render_page, result_json
from canassist.report.page.first_screen import sure_words
from canassist.report.page.ride_page import PageView
from tests.simulator.scenarios import SCENARIOS, draw_scenario

SAMPLES = ("healthy_mixed", "hot_tight_turns", "not_charging", "second_vehicle", "speed_lost",
           "supply_resistance", "torque_offset", "weak_battery")  # fmt: skip
_COUNT = {"once": 1, "twice": 2}


class Reader(HTMLParser):
    """Keeps each element's text by its id, and the cells of every table."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.sections: dict[str, list[str]] = {}
        self.cards: list[dict[str, object]] = []
        self._open: list[tuple[str, str]] = []
        self._row: list[str] | None = None
        self._cell: list[str] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag in {"meta", "link", "br", "input"}:
            return
        self._open.append((tag, given.get("id", "")))
        if tag == "article" and given.get("class", "").startswith("card"):
            self.cards.append({"title": "", "pairs": {}, "rows": []})
        if tag == "tr":
            self._row = []
        if tag in {"td", "th"} and self._row is not None:
            self._cell = []

    def handle_endtag(self, tag: str) -> None:
        if tag in {"td", "th"} and self._cell is not None and self._row is not None:
            self._row.append("".join(self._cell).strip())
            self._cell = None
        if tag == "tr" and self._row is not None:
            if self.cards and any(name == "article" for name, _ in self._open):
                self.cards[-1]["rows"].append(self._row)  # type: ignore[attr-defined]  # a list
            self._row = None
        while self._open:
            if self._open.pop()[0] == tag:
                break

    def handle_data(self, data: str) -> None:
        if self._cell is not None:
            self._cell.append(data)
        for _, name in self._open:
            if name:
                self.sections.setdefault(name, []).append(data)

    def text(self, name: str) -> str:
        return " ".join("".join(self.sections.get(name, [])).split())


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(re.sub(r"<(script|style)\b.*?</\1>", "", html, flags=re.DOTALL))
    return reader


def counted(text: str) -> list[int]:
    return [
        _COUNT.get(word) or int(word.split()[0])
        for word in re.findall(r"\b(once|twice|\d+ times)\b", text)
    ]


def number(text: str) -> float:
    return float(text.replace("\u2212", "-").split("\u202f")[0].rstrip("%"))


def contradictions(result: Result) -> list[str]:
    """Return what a finished page says in two ways; every place is read from the page itself."""
    html = render_page(result)
    page = read(html)
    wrong = []
    answer = result.conclusions[0]
    said = " ".join(answer.headline.split())
    for place in ("answer", "why", "claim"):
        shown = page.text(place).replace("\u202f", " ")
        if said.replace("\u202f", " ") not in shown:
            wrong.append(f"{place} lacks the answer")
        if sure_words(answer) not in shown:
            wrong.append(f"{place} lacks how sure it is")
    checks = [check.text for check in answer.next_checks]
    for place in ("answer", "claim"):
        shown = page.text(place).replace("\u202f", " ")
        wrong += [
            f"{place} lacks the check {text!r}"
            for text in checks
            if " ".join(text.split()) not in shown
        ]
    terminal = "\n".join(answer_lines(result))
    wrong += [f"the terminal lacks {text!r}" for text in (said, *checks) if text not in terminal]
    data = json.loads(result_json(result))
    if data["conclusions"][0]["headline"] != answer.headline:
        wrong.append("the data has another answer")
    wrong += counts(result, page) + worst(result, page)
    return wrong


def counts(result: Result, page: Reader) -> list[str]:
    """Compare how often each kind came: in the picture's message, on the cards, in the data."""
    wrong = []
    message = page.text("fig-ride")
    view = PageView(result, PageOptions(), result_json(result))
    in_cards: dict[str, int] = {}
    for card in view.cards:
        kind = str(result.events[card.shown.place].kind)
        in_cards[kind] = in_cards.get(kind, 0) + card.count
    for kind, count in in_cards.items():
        if count != sum(str(event.kind) == kind for event in result.events):
            wrong.append(f"{kind}: cards count {count}")
    if sum(in_cards.values()) != len(result.events):
        wrong.append("cards and data differ in number")
    return wrong + times_said(result, message)


def times_said(result: Result, message: str) -> list[str]:
    """Compare "reduced twice" in headline and picture with the data, notes left out."""
    wrong = []
    weighty = [event for event in result.events if event.severity != "note"]
    for kind, words in (("derate", "assist reduced"), ("undervoltage", "supply too low")):
        here = sum(event.kind == kind for event in weighty)
        found = re.search(rf"{words} (once|twice|\d+ times)", message.lower())
        if found and counted(found[1]) != [here]:
            wrong.append(f"the picture says {found[0]}, the data has {here} above a note")
    reduced = sum(event.kind == "derate" for event in weighty)
    for item in result.conclusions:
        told = re.search(r"[Rr]educed (once|twice|\d+ times)", item.headline)
        if told and counted(told[1])[0] > reduced:
            wrong.append(f"{item.headline!r}, and {reduced} are in the data")
    return wrong


def worst(result: Result, page: Reader) -> list[str]:
    """Compare the worst of a folded card with its own table: none there may be worse."""
    wrong = []
    for card in page.cards:
        rows = card["rows"]
        assert isinstance(rows, list)
        heads = [row for row in rows if row and row[0].endswith("the worst")]
        if not heads:
            continue
        figures = {row[0]: row[1] for row in rows if len(row) > 1}
        table = next(place for place, row in enumerate(rows) if row[0] == "Event")
        for words, sign in (("lowest supply", 1), ("lowest assist", 1), ("highest supply", -1)):
            if words in figures and words in rows[table]:
                column = rows[table].index(words)
                values = [
                    number(row[column]) for row in rows[table + 1 :] if row[column] != "\u2013"
                ]
                if sign * number(figures[words]) > min(sign * value for value in values) + 1e-9:
                    wrong.append(f"{words}: worst {figures[words]}, table has {values}")
    return wrong


@pytest.mark.parametrize("name", SAMPLES)
def test_a_sample_ride_says_each_thing_once(project_root: Path, name: str) -> None:
    log = next((project_root / "sample_logs").glob(f"{name}.[!t]*"))
    demo = project_root / "dbc_demo" / "demo_trail_vehicle.dbc"
    result = analyze(
        log, dbc=demo, profile=demo.with_suffix(".toml"), case=Case(at_s=(60.0,), vehicle="x")
    )
    assert contradictions(result) == []


@pytest.mark.parametrize("name", sorted(SCENARIOS)[::6])
def test_a_drawn_ride_says_each_thing_once(name: str) -> None:
    assert contradictions(drawn_ride(name, 1)) == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_every_drawn_ride_says_each_thing_once(name: str, seed: int) -> None:
    assert contradictions(drawn_ride(name, seed)) == []


def test_what_is_said_in_two_ways_is_seen(project_root: Path) -> None:
    """The test itself can fail: a count changed in one place alone is a contradiction."""
    result = drawn_ride("hot", 1)
    heavy = next(event for event in result.events if event.severity != "note")
    other = replace(result, events=(*result.events, heavy))
    html = render_page(result)
    assert counts(other, read(html)) != []


def test_a_terminal_tells_what_was_also_seen_above_a_suspicion() -> None:
    result = drawn_ride("charging_stops", 1)
    told = [line for line in answer_lines(result) if line.startswith("  also seen: ")]
    beside = result.conclusions[1]
    assert (str(beside.role), str(beside.code)) == ("also_seen", "charging_fault")
    assert told == [f"  also seen: {beside.headline} ({beside.strength})"]
    weak = replace(result, conclusions=(result.conclusions[0], replace(beside, strength=None)))
    assert not [line for line in answer_lines(weak) if "also seen" in line]


def drawn_ride(name: str, seed: int) -> Result:
    scenario = draw_scenario(name, seed)
    return judged(simulate(scenario).timeline(), demo_profile(scenario.layout, scenario.vehicle))


def judged(timeline: Timeline, profile: Profile) -> Result:
    answer = judge(timeline, profile, Case())
    bus, verdict = timeline.bus, answer.verdict
    log = LogSummary(
        format="candump",
        start_utc=None,
        duration_s=bus.duration_s,
        frames=bus.frames,
        error_frames=bus.error_frames,
        buses=bus.buses,
        ids=len(bus.ids),
        ids_known=len(bus.ids),
    )
    return Result(
        version="0",
        inputs=(InputFile(role="log", name="drawn.log", sha256="0" * 64, size_bytes=1),),
        log=log,
        timeline=timeline,
        physics=answer.physics,
        events=verdict.events,
        conclusions=verdict.conclusions,
        coverage=verdict.coverage,
        profile=profile,
        ruled_out=verdict.ruled_out,
    )
