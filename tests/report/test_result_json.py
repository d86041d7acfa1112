"""The result as JSON: canonical, rounded, masked, and as its schema says."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from importlib import resources
from typing import Any

import jsonschema
import numpy as np
import pytest
import rfc8785

import canassist
from canassist.model import Event, EventKind, Result
from canassist.report import result_json
from canassist.report.data.canonical_json import canonical
from canassist.report.data.rounding import places_of, rounded
from canassist.report.page.masks import find_vins, mask_number, mask_vins
from canassist.vin import vin_check_digit_ok

INVENTED_VIN = "9ZZTESTA0K0000042"


@pytest.fixture(scope="module")
def schema() -> Any:  # noqa: ANN401 - parsed JSON
    path = resources.files("canassist.report.data").joinpath("result.schema.json")
    return json.loads(path.read_text("utf-8"))


def test_the_schema_is_a_schema(schema: Any) -> None:  # noqa: ANN401 - parsed JSON
    jsonschema.Draft202012Validator.check_schema(schema)


def test_a_rich_result_is_as_the_schema_says(result: Result, schema: Any) -> None:  # noqa: ANN401 - a schema is plain JSON
    jsonschema.validate(json.loads(result_json(result)), schema)


@pytest.mark.parametrize("ride", ["speed_lost.log.gz", "not_charging.log.gz"])
def test_real_results_are_too(ride: str, schema: Any, project_root: Any) -> None:  # noqa: ANN401 - a schema is plain JSON
    demo = project_root / "dbc_demo"
    found = canassist.analyze(
        project_root / "sample_logs" / ride,
        dbc=next(demo.glob("*.dbc")),
        profile=next(demo.glob("*.toml")),
    )
    jsonschema.validate(json.loads(result_json(found)), schema)


def test_bytes_are_canonical_and_the_same_twice(result: Result) -> None:
    data = result_json(result)
    assert data == rfc8785.dumps(json.loads(data))
    assert data == result_json(replace(result))


def drawn_value(dice: np.random.Generator, depth: int = 0) -> Any:  # noqa: ANN401 - any JSON value
    """Return a JSON value with the numbers, texts and keys that writers disagree on."""
    kind = int(dice.integers(0, 8 if depth < 4 else 5))
    if kind < 3:
        number = float(dice.normal()) * 10.0 ** float(dice.integers(-9, 24))
        return [
            number,
            round(number, int(dice.integers(0, 6))),
            int(dice.integers(-(2**53) + 1, 2**53)),
        ][kind]
    if kind < 5:
        text = "".join(map(chr, dice.choice([1, 9, 34, 92, 127, 0xE9, 0x2028, 0xFFFD, 0x1F600], 6)))
        return [text, [None, True, False][int(dice.integers(3))]][kind - 3]
    items = [drawn_value(dice, depth + 1) for _ in range(int(dice.integers(0, 6)))]
    if kind == 5:
        return items
    return {
        f"{chr(int(dice.choice([97, 0xFFFD, 0x1F600])))}{row}": item
        for row, item in enumerate(items)
    }


def test_bytes_are_those_of_the_general_writer() -> None:
    """500 drawn values, written by the library too: same bytes."""
    dice = np.random.default_rng(8785)
    for _ in range(500):
        value = drawn_value(dice)
        assert canonical(value) == rfc8785.dumps(value)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 2**53, {"a": [2**60]}])
def test_what_has_no_canonical_form_is_refused(value: object) -> None:
    with pytest.raises(rfc8785.CanonicalizationError):
        canonical(value)


def test_numbers_are_written_as_the_standard_prints_them() -> None:
    """RFC 8785: the numbers of its sample, and -0."""
    numbers = [333333333.33333329, 1e30, 4.50, 2e-3, 1e-27, -0.0]
    assert canonical(numbers) == b"[333333333.3333333,1e+30,4.5,0.002,1e-27,0]"


def test_unknown_figures_are_null(result: Result) -> None:
    event = Event(
        kind=EventKind.DERATE,
        start_s=1.0,
        end_s=None,
        measured={"min_assist_pct": float("nan"), "peak_a": float("inf"), "how": "stopped"},
        channels_then={"supply_voltage": float("nan")},
    )
    found = json.loads(result_json(replace(result, events=(event,))))["events"][0]
    assert found["end_s"] is None
    assert found["measured"] == {"min_assist_pct": None, "peak_a": None, "how": "stopped"}
    assert found["channels_then"] == {"supply_voltage": None}


def test_figures_are_rounded_by_what_their_name_ends_in() -> None:
    assert [places_of(name) for name in ("start_s", "min_supply_v", "path_ohm", "share")] == [
        3,
        3,
        5,
        4,
    ]
    assert rounded(np.float64(11.23456), 3) == 11.235
    assert str(rounded(-0.0001, 3)) == "0.0"


def test_no_figure_has_more_places_than_documented(result: Result) -> None:
    text = result_json(result).decode("utf-8")
    too_fine = [number for number in re.findall(r"-?\d+\.(\d+)", text) if len(number) > 6]
    assert too_fine == []


def test_vin_and_serial_number_are_masked_everywhere(result: Result) -> None:
    text = result_json(result).decode("utf-8")
    identity = result.timeline.identity
    assert identity.vin not in text
    assert identity.serial_number not in text
    assert f"ride_{mask_number(identity.vin)}.log" in text


def test_half_a_surrogate_pair_does_not_stop_the_writing(result: Result) -> None:
    event = replace(result.events[0], text="bad \udc80 byte")
    found = json.loads(result_json(replace(result, events=(event,))))
    assert found["events"][0]["text"] == "bad \ufffd byte"


def test_extremes_and_presence_of_a_channel_by_hand(result: Result) -> None:
    found = json.loads(result_json(result))["channels"]
    assert found["supply_voltage"]["min"] == 10.2
    # 420 s of 1 Hz; eight of them missing: the last good value counts for 5 s of the 9 s gap
    assert found["module_temperature"]["present"] == pytest.approx(1 - 4 / 420, abs=1e-4)
    assert found["assist_mode"]["median"] is None


def test_the_order_of_inputs_and_events_is_kept(result: Result) -> None:
    found = json.loads(result_json(result))
    assert [item["role"] for item in found["inputs"]] == ["log", "dbc", "profile"]
    starts = [event["start_s"] for event in found["events"]]
    assert starts == sorted(starts)


def test_seventeen_ones_carry_their_check_digit() -> None:
    """49 CFR 565: seventeen ones sum to 89, remainder 1 of 11 (worked by hand)."""
    assert vin_check_digit_ok("1" * 17)
    assert not vin_check_digit_ok("1" * 8 + "2" + "1" * 8)
    assert not vin_check_digit_ok(INVENTED_VIN.lower())


def test_text_shaped_like_a_vin_is_found_and_masked() -> None:
    name = f"ride-{INVENTED_VIN}_b.log"
    assert find_vins(name) == (INVENTED_VIN,)
    assert mask_vins(name) == "ride-*************0042_b.log"
    assert mask_vins("a" * 40) == "a" * 40
    assert mask_number("123") == "***"
    assert not vin_check_digit_ok("123")
