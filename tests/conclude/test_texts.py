"""Every sentence that the code asks for exists and gets its figures; none says too much."""

from __future__ import annotations

import ast
import re
import string
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from canassist.conclude.wording.sentences import has_text
from canassist.model import CHANNEL_UNITS, Code, EventKind

ROOM = Path(__file__).parents[2] / "canassist" / "conclude"
SOURCES = sorted(ROOM.rglob("*.py"))
TEXTS = tomllib.loads((ROOM / "wording" / "texts.toml").read_text("utf-8"))
CHECKS = tomllib.loads((ROOM / "wording" / "checks.toml").read_text("utf-8"))


def asked_for() -> Iterator[tuple[str, str, frozenset[str], bool]]:
    """Find every ``say("key", name=...)`` with a literal key."""
    for source in SOURCES:
        for node in ast.walk(ast.parse(source.read_text("utf-8"))):
            if not isinstance(node, ast.Call) or getattr(node.func, "id", "") != "say":
                continue
            if isinstance(node.args[0], ast.Constant):
                given = frozenset(word.arg for word in node.keywords if word.arg)
                open_end = any(word.arg is None for word in node.keywords)
                yield source.name, str(node.args[0].value), given, open_end


def leaves(table: dict[str, object], above: str = "") -> Iterator[tuple[str, str]]:
    for key, value in table.items():
        name = f"{above}{key}"
        if isinstance(value, dict):
            yield from leaves(value, f"{name}.")
        elif isinstance(value, list):
            yield from ((name, str(item)) for item in value)
        else:
            yield name, str(value)


def test_every_sentence_asked_for_exists_and_gets_its_figures() -> None:
    wrong = []
    for source, key, given, open_end in asked_for():
        if not has_text(key):
            wrong.append(f"{source}: no text {key}")
            continue
        text = dict(leaves(TEXTS))[key]
        needed = {name for _, name, _, _ in string.Formatter().parse(text) if name}
        if not open_end and not needed <= given:
            wrong.append(f"{source}: {key} lacks {sorted(needed - given)}")
    assert not wrong


def test_no_sentence_is_left_that_nothing_asks_for() -> None:
    code = "\n".join(source.read_text("utf-8") for source in SOURCES)
    built = re.findall(r"f[\"']([a-z_.]*)\{", code)  # keys put together from a part
    literal = set(re.findall(r"[\"']([a-z_]+(?:\.[a-z_0-9]+)+)[\"']", code))
    unused = [
        key
        for key, _ in leaves(TEXTS)
        if key not in literal and not any(start and key.startswith(start) for start in built)
    ]
    assert not unused


@pytest.mark.parametrize("code", list(Code))
def test_every_code_has_headline_checks_cautions_and_a_line_on_riding(code: Code) -> None:
    assert TEXTS["headline"][code.value]
    assert TEXTS["ride_on"][code.value]
    if code is not Code.INCONCLUSIVE:
        assert CHECKS["checks"][code.value]


def test_every_caution_that_a_check_names_is_there_and_each_is_used() -> None:
    entries = [entry for table in CHECKS["checks"].values() for entry in table]
    named = {name for entry in (*entries, CHECKS["last"]) for name in entry.get("cautions", ())}
    assert named | {"default"} == set(CHECKS["caution"])


def test_no_check_wants_the_wheels_lifted_and_loaded() -> None:
    for entry in (entry for table in CHECKS["checks"].values() for entry in table):
        text = entry["text"].lower()
        assert not ("lifted" in text and "standstill" in text)
        if "by hand" in text:
            assert "ignition off" in text, text


def test_channels_and_kinds_have_plain_names() -> None:
    assert set(TEXTS["word"]["channel"]) == set(CHANNEL_UNITS)
    assert set(TEXTS["word"]["kind"]) == {kind.value for kind in EventKind}


def test_no_sentence_tells_anybody_to_replace_a_part() -> None:
    """The only way in which the word may stand is: check this before replacing that."""
    checks = [
        (code, f"{entry['text']} {entry.get('expect', '')}")
        for code, table in CHECKS["checks"].items()
        for entry in table
    ]
    for key, text in (*leaves(TEXTS), *checks):
        for found in re.finditer(r"\breplac\w*", text.lower()):
            assert text.lower()[: found.start()].rstrip().endswith("before"), key
