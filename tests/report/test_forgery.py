"""Forged pages: whatever is changed is found, and no lie is ever called genuine."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import pytest
from playwright.sync_api import Browser

from canassist.model import Case, Result, Units
from canassist.report import (
    KnownKeys,
    PageOptions,
    PageStatement,
    PageVerdict,
    make_keys,
    render_page,
    verify_page,
)
from canassist.report.seal.seal import LENGTH, Sealer, read_sealed
from canassist.report.seal.signing import load_private_key
from canassist.version import VERSION
from tests.report.forgeries import Forgery, forgeries

FORGERIES = list(forgeries())
REFUSED = {3, 4}


@dataclass(frozen=True)
class Made:
    """A signed and an unsigned page of one ride, the key that signed, and how to make them."""

    result: Result
    unsigned: bytes
    signed: bytes
    fingerprint: str
    private_pem: bytes

    def remake(self, statement: PageStatement, signer: bytes) -> bytes:
        """Make the page again as the command does, but for the reading of the log."""
        look = PageOptions(
            units=cast("Units", statement.units),
            zone=statement.zone,
            unmask=statement.unmask,
            made_on=statement.made_on,
            vin_doubted=statement.vin_doubted,
            vehicle_masked=statement.vehicle_masked,
        )
        case = Case(**statement.case, at_s=statement.moments_s)
        return render_page(replace(self.result, case=case), look=look, signer=signer).encode()


@pytest.fixture(scope="module")
def made(result: Result, tmp_path_factory: pytest.TempPathFactory) -> Made:
    pair = make_keys()
    key = tmp_path_factory.mktemp("keys") / "workshop.key"
    key.write_bytes(pair.private_pem)
    return Made(
        result,
        render_page(result).encode(),
        render_page(result, key=key).encode(),
        pair.fingerprint.replace(" ", ""),
        pair.private_pem,
    )


@pytest.fixture(params=["unsigned", "signed"])
def page(made: Made, request: pytest.FixtureRequest) -> bytes:
    found: bytes = getattr(made, request.param)
    return found


def changed(page: bytes) -> Iterator[tuple[Forgery, bytes]]:
    """Yield each forgery with the forged bytes before the seal."""
    body = page[:-LENGTH]
    for forgery in FORGERIES:
        forged = forgery.change(body)
        if forged != body:
            yield forgery, forged


def test_there_are_enough_of_them(page: bytes) -> None:
    assert len(list(changed(page))) >= 200


def test_what_leaves_the_seal_as_it_was_is_altered(page: bytes) -> None:
    field = page[-LENGTH:]
    missed = [
        forgery.name
        for forgery, forged in changed(page)
        if verify_page(forged + field).verdict is not PageVerdict.ALTERED
    ]
    assert missed == []


def test_a_seal_worked_out_anew_is_refused_where_a_key_is_asked_for(
    made: Made, page: bytes
) -> None:
    """Unsigned, or with the genuine signature kept."""
    kept = page[-LENGTH:]
    asked = KnownKeys(asked=frozenset({made.fingerprint}))
    passed, believed = [], []
    for forgery, forged in changed(page):
        anew = Sealer().field(forged)
        mixed = kept[:20] + anew[20:85] + kept[85:]  # the old key and signature, the new digest
        for field in (anew, mixed):
            if verify_page(forged + field, keys=asked).verdict.status not in REFUSED:
                passed.append(forgery.name)
            if verify_page(forged + field).verdict is PageVerdict.GENUINE:
                believed.append(forgery.name)
    assert passed == []
    assert believed == []


@pytest.mark.slow
def test_a_seal_worked_out_anew_is_refused_where_the_files_are_given(made: Made) -> None:
    passed = [
        (forgery.name, answer.line)
        for forgery, forged in changed(made.unsigned)
        if (answer := _with_files(made, forged + Sealer().field(forged))).verdict.status
        not in REFUSED
    ]
    assert passed == []


def test_some_of_them_are_refused_where_the_files_are_given(made: Made) -> None:
    dice = random.Random(4)  # noqa: S311 - a repeatable draw, nothing secret
    for forgery, forged in dice.sample(list(changed(made.unsigned)), 12):
        answer = _with_files(made, forged + Sealer().field(forged))
        assert answer.verdict.status in REFUSED, forgery.name


def test_the_genuine_ones_pass(made: Made) -> None:
    asked = KnownKeys(asked=frozenset({made.fingerprint}))
    assert _with_files(made, made.unsigned).verdict is PageVerdict.MADE_AGAIN_UNSIGNED
    assert _with_files(made, made.signed).verdict is PageVerdict.SIGNED_KEY_NOT_CHECKED
    assert verify_page(made.signed, keys=asked).verdict is PageVerdict.GENUINE
    assert verify_page(made.unsigned).verdict is PageVerdict.UNDAMAGED_UNSIGNED


def _with_files(made: Made, page: bytes):  # noqa: ANN202 - an Answer
    return verify_page(page, inputs=made.result.inputs, remake=made.remake)


def test_a_lie_signed_by_another_key_is_never_genuine(made: Made) -> None:
    other = load_private_key(make_keys().private_pem, "other.key")
    body = made.signed[:-LENGTH].replace(b"<h1", b"<h1 class=other", 1)
    lie = body + Sealer(other).field(body)
    asked = KnownKeys(asked=frozenset({made.fingerprint}))
    trusted = KnownKeys(trusted={made.fingerprint: "the workshop"})
    assert verify_page(lie, keys=asked).verdict is PageVerdict.SIGNED_BY_ANOTHER_KEY
    assert verify_page(lie, keys=trusted).verdict is PageVerdict.SIGNED_KEY_NOT_CHECKED
    assert _with_files(made, lie).verdict is PageVerdict.NOT_FROM_THESE_FILES


def test_a_key_that_states_another_signer_is_not_from_these_files(made: Made) -> None:
    """The page's own words name the workshop's key; another one signed it."""
    other = load_private_key(make_keys().private_pem, "other.key")
    body = made.signed[:-LENGTH]
    assert _with_files(made, body + Sealer(other).field(body)).verdict is (
        PageVerdict.NOT_FROM_THESE_FILES
    )


@pytest.mark.parametrize("name", ["stripped", "swapped", "half", "key only"])
def test_signatures_that_do_not_belong_are_altered(made: Made, tmp_path: Path, name: str) -> None:
    page, field = made.signed[:-LENGTH], made.signed[-LENGTH:]
    key = tmp_path / "k.key"
    key.write_bytes(made.private_pem)
    other = render_page(made.result, look=PageOptions("us"), key=key).encode()[-LENGTH:]
    signature = slice(LENGTH - 132, LENGTH - 4)
    fields = {
        "stripped": field[: signature.start] + b"0" * 128 + field[signature.stop :],
        "swapped": field[: signature.start] + other[signature] + field[signature.stop :],
        "half": field[: signature.start + 64] + b"0" * 64 + field[signature.stop :],
        "key only": field[:86] + b"0" * 64 + field[150:],
    }
    assert verify_page(page + fields[name]).verdict is PageVerdict.ALTERED


@pytest.mark.parametrize(
    "change",
    [
        lambda page: page.upper(),
        lambda page: page[:-LENGTH] + page[-LENGTH:].upper(),
        lambda page: page + page[-LENGTH:],
        lambda page: page[-LENGTH:] + page,
        lambda page: page[-LENGTH:] + page[:-LENGTH],
        lambda page: page[:-LENGTH],
        lambda page: page[:-1],
        lambda page: page + b"\n",
        lambda page: page[:-LENGTH] + page[-LENGTH:].replace(b"seal/2", b"seal/1"),
        lambda page: page[:-LENGTH] + page[-LENGTH:].replace(b"/2 ", b"/2  "),
        lambda page: page[:-LENGTH] + page[-LENGTH:].replace(b"-->", b"--!>"),
        lambda page: page.decode().encode("utf-16"),
        lambda page: page.decode().encode("utf-16-be"),
        lambda page: page.decode().encode("utf-32"),
    ],
)
def test_any_other_place_number_or_spelling_is_altered(page: bytes, change: object) -> None:
    forged = change(page)  # type: ignore[operator]  # a lambda from the list above
    assert verify_page(forged).verdict is PageVerdict.ALTERED


def test_a_page_of_our_words_cannot_bring_a_second_seal(result: Result) -> None:
    """A complaint that looks like a seal is text, and text is escaped."""
    words = render_page(result)[-LENGTH:]
    page = render_page(replace(result, case=Case(complaint=words))).encode()
    assert read_sealed(page) is not None


def anew(body: bytes) -> bytes:
    """Seal other bytes, as anyone can."""
    return body + Sealer().field(body)


def test_a_page_that_differs_in_stated_versions_alone_is_made_again(made: Made) -> None:
    older = made.unsigned[:-LENGTH].replace(b'"jinja2":"', b'"jinja2":"0.', 1)
    answer = _with_files(made, anew(older))
    assert answer.verdict is PageVerdict.MADE_AGAIN_UNSIGNED
    assert any("jinja2 0." in reason for reason in answer.reasons)


def test_versions_that_differ_compare_the_data_alone(made: Made) -> None:
    """The page is not compared then, and never called made again; the data must agree."""
    older = made.unsigned[:-LENGTH].replace(b'"jinja2":"', b'"jinja2":"0.', 1)
    older = older.replace(b"<h1", b"<h1 class=x", 1)
    answer = _with_files(made, anew(older))
    assert answer.verdict is PageVerdict.UNDAMAGED_UNSIGNED
    assert answer.data_alone
    assert "data was compared" in answer.line
    assert any("may say something else" in reason for reason in answer.reasons)
    assert any("do not believe its words" in reason for reason in answer.reasons)
    drawn = older.replace(b"<h1 class=x", b"<h1", 1).replace(b"<svg ", b"<svg  ", 1)
    answer = _with_files(made, anew(drawn))
    assert answer.data_alone  # another library may draw so
    assert not any("do not believe its words" in reason for reason in answer.reasons)
    answer = _with_files(made, anew(older.replace(b'"rank":1', b'"rank":7')))
    assert answer.verdict is PageVerdict.NOT_FROM_THESE_FILES
    assert any("conclusions" in reason for reason in answer.reasons)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (f'"versions":{{"canassist":"{VERSION}"', '"versions":{"canassist":"0.1.9"'),
        (f'"versions":{{"canassist":"{VERSION}"', '"versions":{"canassist":"the best"'),
        (f'"versions":{{"canassist":"{VERSION}"', '"versions":{"aaa":"1"'),
        ('"jinja2":"', '"jinja1":"'),
    ],
)
def test_versions_that_never_wrote_such_a_page_are_refused(made: Made, old: str, new: str) -> None:
    """The seal began with 0.2, and a version of ours names its libraries, no others."""
    body = made.unsigned[:-LENGTH]
    for page in (body, body.replace(b"<h1", b"<h1 class=x", 1)):
        lie = page.replace(old.encode(), new.encode(), 1)
        assert lie != page
        assert _with_files(made, anew(lie)).verdict is PageVerdict.NOT_FROM_THESE_FILES


@pytest.mark.browser
def test_what_verifies_looks_the_same(made: Made, browser: Browser, tmp_path: Path) -> None:
    """Browsers draw both pages alike: the genuine one, and it written to a file and back."""
    shown = []
    for name, data in (("one", made.unsigned), ("copy", bytes(bytearray(made.unsigned)))):
        path = tmp_path / f"{name}.html"
        path.write_bytes(data)
        assert verify_page(path.read_bytes()).verdict is PageVerdict.UNDAMAGED_UNSIGNED
        page = browser.new_page(java_script_enabled=False)
        page.goto(path.as_uri())
        shown.append((page.inner_text("body"), page.screenshot()))
        page.close()
    assert shown[0] == shown[1]
    assert "canassist-seal" not in shown[0][0]


@pytest.mark.browser
def test_a_page_that_looks_otherwise_does_not_verify(
    made: Made, browser: Browser, tmp_path: Path
) -> None:
    """Of a sample of forgeries, each that a browser draws otherwise is altered."""
    body, field = made.unsigned[:-LENGTH], made.unsigned[-LENGTH:]
    dice = random.Random(8)  # noqa: S311 - a repeatable draw, nothing secret
    seen = 0
    page = browser.new_page(java_script_enabled=False)

    def drawn(data: bytes) -> str:
        path = tmp_path / "page.html"
        path.write_bytes(data)
        page.goto(path.as_uri())
        return page.inner_text("html")

    genuine = drawn(made.unsigned)
    for _, forged in dice.sample([*changed(body + field)], 25):
        if drawn(forged + field) != genuine:
            seen += 1
            assert verify_page(forged + field).verdict is PageVerdict.ALTERED
    page.close()
    assert seen >= 5
