"""The comparison as page and data: whole, sealed, canonical, and safe from hostile text."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib import resources
from pathlib import Path

import jsonschema
import pytest
import rfc8785

import canassist
from canassist.comparison import compare
from canassist.model import (
    Case,
    Code,
    Comparison,
    FigureName,
    Finding,
    Identity,
    InputFile,
    Result,
    Role,
)
from canassist.report import (
    PageOptions,
    PageVerdict,
    comparison_json,
    make_keys,
    render_comparison,
    verify_page,
)
from tests.bench.comparison import KINDS, pair, ridden

HOSTILE = '<script>alert("x")</script>\u202e'


@pytest.fixture(scope="module")
def schema() -> dict[str, object]:
    path = resources.files("canassist.report.data").joinpath("comparison.schema.json")
    found: dict[str, object] = json.loads(path.read_text("utf-8"))
    return found


@pytest.fixture(scope="module")
def differing() -> Comparison:
    first, second = pair(0)
    return compare(ridden(first), ridden(KINDS["path +60 mohm"].plant(second)))


def test_the_public_name_compares(healthy: tuple[Result, Result]) -> None:
    assert canassist.compare(*healthy).figures == compare(*healthy).figures


def test_the_headline_names_part_size_and_both_values(differing: Comparison) -> None:
    assert "supply path" in differing.headline
    assert "60 mΩ more" in differing.headline
    assert "can explain what was also seen on B" in differing.explains


def test_a_derate_that_follows_from_the_path_is_a_consequence(differing: Comparison) -> None:
    load = differing.figure(FigureName.SUPPLY_UNDER_LOAD)
    assert load.verdict is Finding.DIFFERS
    assert load.role is Role.CONSEQUENCE
    assert load.explained_by == (FigureName.PATH_RESISTANCE,)


def test_the_same_figures_the_other_way_round(differing: Comparison) -> None:
    back = compare(differing.b.results, differing.a.results)
    for figure in differing.figures:
        other = back.figure(figure.name)
        assert other.verdict is figure.verdict
        if figure.difference is not None and not figure.relative:
            assert other.difference is not None
            assert other.difference.value == pytest.approx(-figure.difference.value, abs=0.01)


def test_several_rides_of_a_side_count_as_one(healthy: tuple[Result, Result]) -> None:
    one, other = healthy
    found = compare([one, other], [other])
    gain = found.figure(FigureName.ASSIST_GAIN)
    assert gain.a is not None
    assert gain.b is not None
    assert gain.a.count > gain.b.count
    assert all(figure.verdict is not Finding.DIFFERS for figure in found.figures)


def test_a_side_without_a_ride_is_refused(healthy: tuple[Result, Result]) -> None:
    with pytest.raises(ValueError, match="at least one ride"):
        compare([], healthy[0])


def test_what_one_side_lacks_is_said_and_not_guessed(healthy: tuple[Result, Result]) -> None:
    one, other = healthy
    kept = {name: item for name, item in other.channels.items() if name == "vehicle_speed"}
    bare = ridden(replace(pair(0)[1], leaves_out=frozenset(set(other.channels) - set(kept))))
    found = compare(one, bare)
    assert all(figure.verdict is not Finding.DIFFERS for figure in found.figures)
    assert any("B has no" in text for text in found.not_compared)


def test_data_follow_the_schema_and_are_canonical(
    differing: Comparison, schema: dict[str, object]
) -> None:
    data = comparison_json(differing)
    found = json.loads(data)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(found, schema)
    assert rfc8785.dumps(found) == data
    assert comparison_json(differing) == data
    assert found["multiplicity"]["method"] == "holm"


def test_the_page_is_sealed_and_alteration_shows(differing: Comparison) -> None:
    page = render_comparison(differing)
    assert verify_page(page.encode()).verdict is PageVerdict.UNDAMAGED_UNSIGNED
    altered = page.replace("has 60 mΩ more", "has 6 mΩ more", 1)
    assert altered != page
    assert verify_page(altered.encode()).verdict is PageVerdict.ALTERED


def test_a_signed_page_says_so(differing: Comparison, tmp_path: Path) -> None:
    key = tmp_path / "workshop.key"
    key.write_bytes(make_keys().private_pem)
    signed = verify_page(render_comparison(differing, key=key).encode())
    assert signed.verdict is PageVerdict.SIGNED_KEY_NOT_CHECKED


def test_hostile_names_stay_text(healthy: tuple[Result, Result]) -> None:
    dressed = replace(
        healthy[0],
        inputs=(InputFile(role="log", name=HOSTILE, sha256="0" * 64, size_bytes=1),),
    )
    page = render_comparison(compare(dressed, healthy[1], names=(HOSTILE, "B")))
    assert "<script>alert" not in page
    assert "\u202e" not in page


def test_an_answer_that_cannot_be_told_is_sure_of_nothing(
    healthy: tuple[Result, Result],
) -> None:
    first = replace(
        healthy[0].conclusions[0],
        code=Code.INCONCLUSIVE,
        strength=None,
        headline="This log cannot answer.",
    )
    page = render_comparison(compare(replace(healthy[0], conclusions=(first,)), healthy[1]))
    assert 'This log cannot answer. <span class="severity">cannot tell</span>' in page


def test_numbers_are_masked_in_every_name(healthy: tuple[Result, Result]) -> None:
    vin, serial = "1" * 17, "SN00912345"
    dressed = replace(
        healthy[0],
        inputs=(InputFile(role="log", name=f"{serial}_{vin}.log", sha256="0" * 64, size_bytes=1),),
        profile=replace(healthy[0].profile, name=f"Unit {vin}"),
        timeline=replace(healthy[0].timeline, identity=Identity(serial_number=serial)),
    )
    case = Case(complaint=f"on {serial}", work_order=vin)
    found = compare(dressed, healthy[1], names=(f"{serial} {vin}", "B"), case=case)
    masked = render_comparison(found)
    for number in (vin, serial):
        assert number not in masked
        assert number.encode() not in comparison_json(found)
        assert number in render_comparison(found, look=PageOptions(unmask=True))


def test_each_file_is_listed_once_with_its_sides(healthy: tuple[Result, Result]) -> None:
    shared = InputFile(role="dbc", name="v.dbc", sha256="1" * 64, size_bytes=5)
    logs = [
        InputFile(role="log", name=f"{n}.log", sha256=str(n) * 64, size_bytes=5) for n in (2, 3)
    ]
    sides = [replace(one, inputs=(log, shared)) for one, log in zip(healthy, logs, strict=True)]
    found = json.loads(comparison_json(compare(*sides)))
    assert [(item["name"], item["sides"]) for item in found["inputs"]] == [
        ("2.log", ["a"]),
        ("v.dbc", ["a", "b"]),
        ("3.log", ["b"]),
    ]
