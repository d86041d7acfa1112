"""What the page says: units, clock, masks, claims, rules; and figures that plotly accepts."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plotly import graph_objects

from canassist.errors import MissingExtraError, UsageError
from canassist.model import (
    LIMIT_NAMES,
    Case,
    Event,
    EventKind,
    Identity,
    Physics,
    Problem,
    Result,
    Severity,
)
from canassist.profile import default_limits
from canassist.report import PageOptions, render_page, result_json
from canassist.report.charts.chart_values import Chart, ChartLine, Row, nice_range, time_ticks
from canassist.report.charts.event_styles import (
    CAUSE_WORDS,
    EVENT_STYLES,
    KIND_WORDS,
    EventFamily,
    family_of,
)
from canassist.report.charts.ride_chart import RideCharts
from canassist.report.page import packing
from canassist.report.page.event_cards import fold
from canassist.report.page.measures import Measures, unit_of, words_of
from canassist.report.page.ride_page import PageView
from canassist.report.page.rules import Rulebook
from canassist.report.page.tables import channel_lines, chart_table, overview
from canassist.report.page.times import RideClock, duration, minutes_seconds
from canassist.time_zones import find_zone

PAPER, DARK_PAPER = "#fbfaf7", "#15191e"
SPACE = "\u202f"
LIMITS = [f"limits.{name}" for name in LIMIT_NAMES]


@pytest.fixture(scope="module")
def page(result: Result) -> str:
    return render_page(result)


def text_of(page: str) -> str:
    """Return the words of a page without markup, pictures and scripts."""
    body = page.split("<body>", 1)[1].split("<script", 1)[0]
    body = re.sub(r"<svg.*?</svg>", " ", body, flags=re.DOTALL)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", body)).replace(SPACE, " "))


def test_the_first_words_are_the_answer(page: str) -> None:
    words = text_of(page)
    answer = words.index("It protected itself as designed.")
    assert answer < words.index("strong : 3 of 4 reductions follow module temperature")
    assert answer < words.index("Check the cooling fins") < words.index("Lift and support")
    assert words.index("Lift and support") < words.index("The ride")


def test_the_same_result_gives_the_same_page(result: Result, page: str) -> None:
    assert render_page(replace(result)) == page


def test_every_event_has_its_card_rule_and_limit(page: str) -> None:
    words = text_of(page)
    assert "3 times Assist reduced (heat)" in words
    assert "Supply too low (supply broken for moments)" in words
    assert "Signal lost: road speed" in words
    assert "lowest supply 10.20 V 11.00 V" in words
    assert "undervoltage below 11.00 V , assumed:" in words
    assert "assist starts to fall at 86.0 °C , trail.toml (default 85.0 °C)" in words
    assert "for 70.0 s or more" in words


def test_us_units_are_shown_and_metric_sentences_keep_their_figure(result: Result) -> None:
    words = text_of(render_page(result, look=PageOptions(units="us")))
    assert "93.2 °C / 199.8 °F" in words
    assert "peak temperature 199.8 °F" in words
    assert "Road speed mph" in words
    assert "N·m" not in words.split("Channels and how")[1].split("Limits used")[0]


@pytest.mark.parametrize(
    ("sentence", "shown"),
    [
        ("hot at 85 °C now", "hot at 85 °C / 185 °F now"),
        ("from 85 to 115 °C", "from 85 to 115 °C / 185 to 239 °F"),
        ("above 100 km/h.", "above 100 km/h / 62 mph."),
        ("offset 0.75 N·m", "offset 0.75 N·m / 0.55 lbf·ft"),
        ("at 11.0 V and 3 K", "at 11.0 V and 3 K"),
        ("3.5 N·m/s rises", "3.5 N·m/s rises"),
    ],
)
def test_us_figures_follow_the_metric_one(sentence: str, shown: str) -> None:
    """NIST SP 811: a mile is 1.609344 km, a pound-force foot 1.3558179483314004 N·m."""
    assert Measures("us").sentence(sentence).replace(SPACE, " ") == shown
    assert Measures().sentence(sentence).replace(SPACE, " ") == sentence


def test_a_figure_and_its_unit_stay_on_one_line() -> None:
    said = Measures().sentence("It fell to 10.2 V for 3 min 5 s in 2 Short turns.")
    assert said == f"It fell to 10.2{SPACE}V for 3{SPACE}min 5{SPACE}s in 2 Short turns."


def test_clock_times_are_in_the_zone_asked_for(result: Result) -> None:
    words = text_of(render_page(result, look=PageOptions(zone="Europe/Oslo")))
    assert "2026-03-01 10:12:33 CET (2026-03-01 09:12:33 UTC)" in words
    assert "10:15:53 CET" in words
    with pytest.raises(UsageError, match="Atlantis"):
        render_page(result, look=PageOptions(zone="Sea/Atlantis"))
    with pytest.raises(UsageError):
        find_zone("../../etc/passwd")


def test_a_log_without_a_clock_has_seconds_only(result: Result) -> None:
    log = replace(result.log, start_utc=None)
    words = text_of(render_page(replace(result, log=log)))
    assert "UTC" not in words
    assert "(200.02 s)" in words


def test_numbers_are_masked_unless_asked_for(result: Result) -> None:
    vin, serial = result.timeline.identity.vin, result.timeline.identity.serial_number
    case = replace(result.case, vehicle=f"Trail 700, {vin}", complaint=f"on {vin}")
    named = replace(result, case=case)
    masked, shown = render_page(named), render_page(named, look=PageOptions(unmask=True))
    assert vin not in masked
    assert serial not in masked
    assert vin in shown.split("<script", 1)[0]
    assert serial in shown
    assert vin not in shown.split('id="canassist-result">')[1].split("</script>")[0]


def test_numbers_are_masked_in_the_names_of_profile_and_files(result: Result) -> None:
    vin, serial = result.timeline.identity.vin, result.timeline.identity.serial_number
    profile = replace(
        result.profile, name=f"Unit {vin}", file_name=f"{serial}.toml", given=frozenset(LIMITS)
    )
    inputs = tuple(replace(item, name=f"{serial}-{item.name}") for item in result.inputs)
    problems = (Problem(where=f"{serial.lower()}.log line 17", what="cut"),)
    named = replace(
        result,
        profile=profile,
        inputs=inputs,
        log=replace(result.log, problems=problems),
        case=replace(result.case, vehicle="", work_order=f"WO-{serial}"),
    )
    masked, shown = render_page(named), render_page(named, look=PageOptions(unmask=True))
    for number in (vin, serial, serial.lower()):
        assert number not in masked
        assert number not in result_json(named).decode()
        assert number in shown
    assert f"Unit {'*' * 13}1111" in masked


@pytest.mark.parametrize("serial", ["trail", "Trail Steering", "module-x"])
def test_a_word_in_place_of_a_serial_number_hides_no_word(result: Result, serial: str) -> None:
    """The bus says what it likes: it must not be able to blank out what others wrote."""
    timeline = replace(result.timeline, identity=Identity(serial_number=serial))
    case = replace(result.case, complaint=f"Heavy. {serial} module.")
    words = text_of(render_page(replace(result, timeline=timeline, case=case)))
    assert f"Heavy. {serial} module." in words


def test_how_many_limits_were_given_is_said_as_it_is(result: Result) -> None:
    said = {
        "all 22 from the profile.": frozenset(LIMITS),
        "all 22 assumed.": frozenset(),
        "1 of 22 from the profile, the rest assumed.": frozenset(LIMITS[:1]),
    }
    for words, given in said.items():
        limits = replace(default_limits())
        profile = replace(result.profile, limits=limits, given=given)
        assert words in text_of(render_page(replace(result, profile=profile)))


def test_raw_counts_carry_no_unit(result: Result) -> None:
    """A database without a unit: 300 counts are no 300 N·m, and no pound-foot either."""
    channels = {
        name: replace(item, unit_known=name != "driver_torque")
        for name, item in result.channels.items()
    }
    raw = replace(result, timeline=replace(result.timeline, channels=channels))
    chart = RideCharts(raw, Measures("us"), RideClock(None)).ride()
    row = next(row for row in chart.rows if row.label == "Driver torque")
    assert (row.unit, row.limits) == ("raw", ())
    values = result.channels["driver_torque"].value
    assert row.lines[0].y.max() == pytest.approx(values.max())
    line = next(x for x in channel_lines(raw, Measures("us")) if x.name == "driver_torque")
    assert line.span.endswith("raw")
    assert line.median.endswith("raw")


def test_signals_lost_at_once_count_their_time_once(result: Result) -> None:
    lost = result.events[4]
    assert lost.kind is EventKind.SIGNAL_LOSS
    spans = ((10.0, 20.0), (12.0, 18.0), (15.0, 30.0), (40.0, 41.0))
    events = tuple(replace(lost, start_s=start, end_s=end) for start, end in spans)
    table = overview(replace(result, events=events), Measures())
    assert table.body == (("Signal lost", "4", f"21.0{SPACE}s", "0:10.0"),)


def test_a_table_of_a_picture_has_no_negative_nothing() -> None:
    line = ChartLine(key="a", label="a", x=np.array([0.0, 1.0]), y=np.array([-0.04, -1.26]))
    row = Row(label="Torque", unit="N·m", lines=(line,), places=1)
    chart = Chart(
        name="one", message="m", rows=(row,), x_from=0.0, x_to=1.0, ticks=(), over_time=False
    )
    cells = [cell for body in chart_table(chart).body for cell in body]
    assert "0.0" in cells
    assert "\u22121.3" in cells
    assert "\u22120.0" not in cells


def test_a_share_is_never_rounded_up_to_all(result: Result) -> None:
    gaps = result.channels["supply_voltage"]
    keep = np.ones(len(gaps), dtype=bool)
    keep[9000:9030] = False  # 0.6 s of 420 s
    some = replace(gaps, time_s=gaps.time_s[keep], value=gaps.value[keep], stale_after_s=0.5)
    channels = {**result.channels, "supply_voltage": some}
    shown = replace(result, timeline=replace(result.timeline, channels=channels))
    line = next(x for x in channel_lines(shown, Measures()) if x.name == "supply_voltage")
    assert line.present == f"99.9{SPACE}%"


def test_a_wrong_check_digit_is_a_warning(result: Result, page: str) -> None:
    wrong = "1" * 8 + "2" + "1" * 8
    case = replace(result.case, vehicle=wrong)
    assert "check digit does not fit" in text_of(render_page(replace(result, case=case)))
    assert "check digit does not fit" not in text_of(page)


def test_claims_stand_on_top_and_in_the_summary(result: Result) -> None:
    case = Case(complaint="Heavy uphill.", correction="Cleaned the fins.", odometer="1 204 km")
    words = text_of(render_page(replace(result, case=case)))
    top, summary = words.rsplit("Claim sheet ", 1)
    assert "Complaint Heavy uphill." in top
    assert "Correction Cleaned the fins." in summary
    assert "TV-4401-B" in top
    assert "Technician" not in top
    assert "Technician, date" in summary


def test_the_answer_with_default_limits_is_told_where_it_differs(result: Result) -> None:
    words = text_of(render_page(replace(result, first_by_default="supply_resistance")))
    assert (
        "With the default limits the first answer would be another one: supply resistance" in words
    )


def test_a_quiet_ride_says_so(result: Result) -> None:
    quiet = replace(result, events=(), conclusions=result.conclusions[1:], moments=())
    words = text_of(render_page(quiet))
    assert "No event: nothing that this log shows was outside its limits." in words


def test_a_bare_ride_has_a_page_too(result: Result) -> None:
    """One channel with one sample, no estimate, no start: nothing to divide by."""
    speed = result.channels["vehicle_speed"]
    one = replace(speed, time_s=np.zeros(1), value=np.zeros(1), period_s=float("nan"))
    empty = replace(speed, name="engine_speed", unit="rpm", time_s=np.empty(0), value=np.empty(0))
    timeline = replace(
        result.timeline, channels={"vehicle_speed": one, "engine_speed": empty}, duration_s=0.0
    )
    bare = replace(
        result,
        timeline=timeline,
        physics=Physics(),
        events=(),
        log=replace(result.log, duration_s=0.0, start_utc=None),
    )
    assert "Not in this log: engine speed" in text_of(render_page(bare))


def test_figures_are_valid_for_plotly_and_hold_every_extreme(result: Result, page: str) -> None:
    packed = re.search(r'id="canassist-figures">([^<]*)<', page)
    assert packed is not None
    content = json.loads(packing.unpack(packed.group(1)))
    assert len(content["figures"]) >= 10
    for figure in content["figures"].values():
        graph_objects.Figure(filled(figure, content["data"]))  # raises on what plotly refuses
    lowest = min(
        value
        for value in unpacked(**column(content["data"]["supply_voltage"], "y"))
        if value is not None
    )
    assert lowest == pytest.approx(float(result.channels["supply_voltage"].value.min()), abs=0.005)


def unpacked(column: Sequence[int | None], places: int) -> list[float | None]:
    """Return a column of the table as numbers, as the page's script does."""
    total, found = 0, list[float | None]()
    for step in column:
        total += step or 0
        found.append(None if step is None else total / 10**places)
    return found


def column(pair: dict[str, Any], axis: str) -> dict[str, Any]:
    return {"column": pair[axis], "places": pair[f"p{axis}"]}


def filled(figure: dict[str, Any], data: dict[str, Any]) -> dict[str, Any]:
    """Return a figure with its data looked up, as the page's script does."""
    traces = []
    for trace in figure["data"]:
        if isinstance(trace["x"], str):
            pair = data[trace["x"].removeprefix("@")]
            sides = {axis: unpacked(**column(pair, axis)) for axis in ("x", "y")}
            traces.append(trace | sides)
        else:
            traces.append(trace)
    return {"data": traces, "layout": figure["layout"]}


def test_a_gap_is_a_gap_in_still_and_live_pictures(page: str) -> None:
    packed = re.search(r'id="canassist-figures">([^<]*)<', page)
    assert packed is not None
    pair = json.loads(packing.unpack(packed.group(1)))["data"]["vehicle_speed"]
    x, y = (unpacked(**column(pair, axis)) for axis in ("x", "y"))
    inside = [level for moment, level in zip(x, y, strict=True) if 300.0 <= (moment or 0) < 306.0]
    assert all(level is None for level in inside)
    still = page.split('id="fig-ride"')[1].split("</figure>", maxsplit=1)[0]
    first = re.search(r'<path class="curve" d="([^"]+)"', still)
    assert first is not None
    assert first.group(1).count("m") == 2


def test_a_missing_plot_library_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """And none is taken from the current folder in its place."""
    (tmp_path / "package_data").mkdir()
    (tmp_path / "package_data" / "plotly.min.js").write_text("alert(1)")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(packing.util, "find_spec", lambda _: None)
    packing.plot_library.cache_clear()
    with pytest.raises(MissingExtraError, match="plot library"):
        packing.plot_library()
    monkeypatch.undo()
    packing.plot_library.cache_clear()


def contrast(one: str, other: str) -> float:
    """WCAG 2.2: relative luminance with the knee at 0.04045, unrounded."""

    def luminance(colour: str) -> float:
        parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
        linear = [
            part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
        ]
        return sum(
            share * part for share, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True)
        )

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_agrees_with_published_values() -> None:
    """WCAG 2.2 values on white: #767676 passes 4.5, #777777 fails, #0072B2 is 5.1854."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")
    assert contrast("#0072B2", "#ffffff") == pytest.approx(5.1854, abs=1e-4)


def test_edges_and_textures_stand_out_from_the_page() -> None:
    for look in EVENT_STYLES.values():
        assert contrast(look.edge, PAPER) >= 3.0
        assert contrast(look.edge, "#ffffff") >= 3.0
        assert contrast(look.dark_edge, DARK_PAPER) >= 3.0


def test_inks_are_read_in_light_and_dark(page: str) -> None:
    style = re.search(r"<style>(.*?)</style>", page, re.DOTALL)
    assert style is not None
    for block, paper in zip(
        re.findall(r":root\{(--ink[^}]*)\}", style.group(1)), (PAPER, DARK_PAPER), strict=True
    ):
        colours = dict(re.findall(r"--(\w+):(#[0-9a-f]{6})", block))
        assert colours["paper"] == paper
        for name in ("ink", "soft", "accent"):
            assert contrast(colours[name], paper) >= 4.5


def test_every_kind_and_cause_has_words_a_look_and_a_rule(result: Result) -> None:
    rules = Rulebook(result.profile, Measures())
    for kind in EventKind:
        event = Event(kind=kind, start_s=0.0, end_s=1.0)
        assert KIND_WORDS[kind]
        assert family_of(event) in EventFamily
        assert rules.rule(event).endswith(".")
    for cause in ("temperature", "voltage", "temperature+voltage", "speed_signal", "unexplained"):
        assert CAUSE_WORDS[cause]
        event = Event(kind=EventKind.DERATE, start_s=0.0, end_s=1.0, cause=cause)
        assert rules.limits_of(event)


def test_alike_events_are_folded_from_three_on() -> None:
    def event(start_s: float, cause: str) -> Event:
        return Event(kind=EventKind.DERATE, start_s=start_s, end_s=start_s + 1, cause=cause)

    two = [event(0, "voltage"), event(5, "temperature"), event(9, "voltage")]
    assert fold(two) == [(0,), (1,), (2,)]
    assert fold([*two, event(12, "voltage")]) == [(0, 2, 3), (1,)]


def test_the_worst_of_a_fold_has_the_close_up(result: Result) -> None:
    """The worst has the lowest assist of the three, whatever the others' severity and length."""
    serious = replace(result.events[2], severity=Severity.SERIOUS)
    changed = replace(result, events=(*result.events[:2], serious, *result.events[3:]))
    card = PageView(changed, PageOptions(), result_json(changed)).maker.cards()[0]
    depths = {entry.place: changed.events[entry.place].measured for entry in card.entries}
    lowest = min(depths, key=lambda place: depths[place]["min_assist_pct"])
    assert (card.shown.place, card.severity) == (lowest, "serious")


def test_of_many_events_the_worst_and_the_first_are_listed(result: Result) -> None:
    def event(place: int) -> Event:
        measured = {"min_supply_v": 10.0 - place / 100.0}
        return replace(
            result.events[1], start_s=2.0 * place, end_s=2.0 * place + 1, measured=measured
        )

    many = replace(result, events=tuple(event(place) for place in range(100)))
    (card,) = PageView(many, PageOptions(), result_json(many)).maker.cards()
    assert card.count == 100
    assert [entry.place for entry in card.entries] == [*range(10), *range(90, 100)]
    assert card.shown.place == 99
    html = render_page(many)
    links = set(re.findall(r'href="#([^"]+)"', html))
    assert links <= set(re.findall(r'\sid="([^"]+)"', html))


@pytest.mark.parametrize(
    ("time_s", "text"),
    [(0.0, "0:00.0"), (61.25, "1:01.2"), (59.96, "1:00.0"), (3671.5, "1:01:11.5")],
)
def test_moments_read_as_minutes_and_seconds(time_s: float, text: str) -> None:
    assert minutes_seconds(time_s) == text


def test_lengths_of_time_in_words() -> None:
    assert duration(0.64).replace(SPACE, " ") == "0.6 s"
    assert duration(134.0).replace(SPACE, " ") == "2 min 14 s"
    assert duration(3725.0).replace(SPACE, " ") == "1 h 2 min"


def test_the_clock_crosses_a_change_of_summer_time() -> None:
    start = datetime(2026, 3, 29, 0, 59, 50, tzinfo=UTC)
    clock = RideClock(start, find_zone("Europe/Oslo"))
    assert clock.at(0.0) == "01:59:50 CET"
    assert clock.at(20.0) == "03:00:10 CEST"


def test_figures_are_named_in_words_with_their_unit() -> None:
    assert (unit_of("min_supply_v"), words_of("min_supply_v")) == ("V", "min supply")
    assert (unit_of("lost_assist_pct_s"), words_of("lost_assist_pct_s")) == ("%·s", "lost assist")
    assert (unit_of("status"), words_of("status")) == ("", "status")


def test_axes_have_round_marks() -> None:
    assert nice_range([0.0, 61.1], most=3).ticks == (0.0, 25.0, 50.0)
    assert nice_range([14.0, 14.0], floor=2.0).ticks == (13.0, 14.0, 15.0)
    assert nice_range([0.0, 0.0], floor=10.0, least=0.0).ticks[0] == 0.0
    assert nice_range([float("nan")]).ticks == ()
    assert time_ticks(0.0, 420.0, 8) == (0.0, 60.0, 120.0, 180.0, 240.0, 300.0, 360.0, 420.0)
