"""Tells whether a report is undamaged, who signed it, and what it was made from."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

import rfc8785

from canassist.report.page.document import seal_section
from canassist.report.page.embedded_data import embedded_data, is_packed, script_text
from canassist.report.seal import seal
from canassist.report.seal.signing import Signature, fingerprint, is_signed
from canassist.report.seal.stated import is_result, with_names_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from canassist.model import InputFile

Json = dict[str, Any]  # Any: JSON values have any JSON type


class VerifyAnswer(StrEnum):
    """What a check says."""

    YES = "yes"
    NO = "no"
    REDUCED = "reduced"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Check:
    """One question and its answer in a sentence."""

    question: str
    answer: VerifyAnswer
    text: str


_WHOLE: Final = {
    "text": "the visible text",
    "figures": "the pictures",
    seal.RESULT_ID: "the result as data",
    seal.FIGURES_ID: "the data of the interactive pictures",
    seal.LIBRARY_ID: "the script that draws them",
    seal.LOADER_ID: "the page's own script",
    "style": "the style sheet",
    "policy": "the page's security policy",
    "strip": "the frame of the strip for later notes",
}
_MAY_BE_MISSING: Final = frozenset({*seal.SCRIPTS, "style", "policy", "strip"})
_ROLES: Final = {"log": "log", "dbc": "database", "profile": "profile"}


def verify_page(
    html: str,
    *,
    inputs: Sequence[InputFile] = (),
    reanalyse: Callable[[tuple[float, ...]], bytes] | None = None,
) -> list[Check]:
    """Check a page against its own seal, the files at hand and a new analysis.

    Parameters
    ----------
    html : str
        The whole page.
    inputs : sequence of InputFile
        The files at hand, hashed.
    reanalyse : callable, optional
        Takes the moments of the complaint (seconds) that the report answers and
        returns the JSON that this version makes of the files at hand.

    Returns
    -------
    list of Check
        One answer to each question. The report fails if any answer is `VerifyAnswer.NO`.
    """
    reading = seal.read_page(html)
    found = _Seal.find(reading)
    if found is None:
        text = "The page carries no seal of canassist, or a damaged one."
        return [Check("Is there a seal?", VerifyAnswer.NO, text)]
    checks = list(_undamaged(reading, found))
    checks.append(_signed(found))
    checks += _strip_notes(reading)
    result = _result(reading)
    checks += _made_from(result, inputs)
    if reanalyse is not None:
        checks.append(_same_again(result, inputs, reanalyse))
    return checks


@dataclass(frozen=True, slots=True)
class _Seal:
    """What the seal states."""

    listed: bytes
    parts: dict[str, str]
    tool: str
    result_sha256: str
    signature: Signature | None

    @classmethod
    def find(cls, reading: seal.Reading) -> _Seal | None:
        """Return the seal, or None where it is missing or not as this tool writes it."""
        try:
            texts = _texts(reading.seal)
            listed = texts["seal-manifest"].encode("ascii")
            stated = json.loads(listed)
            signature = _signature(texts)
            made = cls(
                listed,
                dict(stated["parts"]),
                str(stated["tool"]),
                str(stated["result_sha256"]),
                signature,
            )
        except (KeyError, ValueError, TypeError, RecursionError):
            return None
        expected = seal.read_page(seal_section(listed, signature)).seal
        return made if expected == reading.seal else None


def _texts(tokens: list[list[str]]) -> dict[str, str]:
    """Return the text that follows each element with an id."""
    found, name = {}, ""
    for token in tokens:
        if token[0] == "<":
            name = dict(zip(token[2::2], token[3::2], strict=True)).get("id", "")
        elif token[0] != ">" and name:
            found[name] = token[0]
            name = ""
    return found


def _signature(texts: dict[str, str]) -> Signature | None:
    if "seal-signature" not in texts:
        return None
    try:
        return Signature(
            base64.b64decode(texts["seal-signature"], validate=True),
            base64.b64decode(texts["seal-key"], validate=True),
        )
    except binascii.Error as error:
        raise ValueError(*error.args) from error


def _undamaged(reading: seal.Reading, found: _Seal) -> Iterator[Check]:
    data = reading.scripts.get(seal.RESULT_ID)
    for part, words in _WHOLE.items():
        stated, seen = found.parts.get(part), reading.parts.get(part)
        question = f"Is {words} undamaged?".replace("Is the pictures", "Are the pictures")
        if stated is None:
            yield Check(question, VerifyAnswer.NO, f"The seal does not cover {words}.")
        elif seen is None and part in _MAY_BE_MISSING:
            text = f"Without {words}: a portal or mail gateway took it out. The rest still counts."
            yield Check(question, VerifyAnswer.REDUCED, text)
        elif seen != stated:
            yield Check(question, VerifyAnswer.NO, f"Altered after the report was made: {words}.")
        elif part == seal.RESULT_ID and not _canonical(data or "", found.result_sha256):
            yield Check(question, VerifyAnswer.NO, "The result is not the one that the seal names.")
        elif part == seal.RESULT_ID and _result(reading) is None:
            yield Check(question, VerifyAnswer.NO, "The result is none that canassist writes.")
        else:
            yield Check(question, VerifyAnswer.YES, f"As it was made: {words}.")
    if reading.strange:
        listed = "; ".join(reading.strange[:3])
        yield Check("Is anything added?", VerifyAnswer.NO, f"Not by canassist: {listed}.")


def _canonical(text: str, expected: str) -> bool:
    try:
        data = rfc8785.dumps(json.loads(embedded_data(text)))
    except (ValueError, RecursionError, rfc8785.CanonicalizationError):
        return False
    as_written = is_packed(text) or script_text(data) == text
    return as_written and hashlib.sha256(data).hexdigest() == expected


def _signed(found: _Seal) -> Check:
    question = "Was it signed, and by whom?"
    if found.signature is None:
        text = (
            "Not signed. The digests find damage and clumsy edits; they cannot prove who made "
            "the report, because anyone can work out new ones."
        )
        return Check(question, VerifyAnswer.CANNOT_TELL, text)
    key = fingerprint(found.signature.public_key)
    if is_signed(found.listed, found.signature):
        text = (
            f"Signed with the key {key}. Compare it with the fingerprint that the signer gave you."
        )
        return Check(question, VerifyAnswer.YES, text)
    return Check(question, VerifyAnswer.NO, f"The signature is not the key's ({key}).")


def _strip_notes(reading: seal.Reading) -> list[Check]:
    if not reading.notes:
        return []
    count = len(reading.notes)
    told = "1 note was added later" if count == 1 else f"{count} notes were added later"
    text = f"{told}; what is written there is not sealed."
    return [Check("Was anything written in later?", VerifyAnswer.CANNOT_TELL, text)]


def page_data(html: str) -> Json | None:
    """Return the data that a page carries; None where it was taken out or is damaged."""
    return _result(seal.read_page(html))


def _result(reading: seal.Reading) -> Json | None:
    try:
        found = json.loads(embedded_data(reading.scripts[seal.RESULT_ID]))
    except (KeyError, ValueError, RecursionError):
        return None
    return found if is_result(found) else None


def _made_from(result: Json | None, inputs: Sequence[InputFile]) -> Iterator[Check]:
    for role, words in _ROLES.items():
        own = [item for item in inputs if item.role == role]
        if not own:
            continue
        question = f"Is it made from this {words}?"
        if result is None:
            text = "The result as data was taken out; compare the hash in the fine print yourself."
            yield Check(question, VerifyAnswer.CANNOT_TELL, text)
            continue
        listed = [item for item in result["inputs"] if item["role"] == role]
        stated = sorted(item["sha256"] for item in listed)
        given = sorted(item.sha256 for item in own)
        # Of a comparison, one side alone may be at hand.
        same = set(given) <= set(stated) if "sides" in result else given == stated
        whose = _whose(listed, given)
        text = f"The hashes agree{whose}." if same else f"Another {words}: the hashes differ."
        yield Check(question, VerifyAnswer.YES if same else VerifyAnswer.NO, text)


def _whose(listed: Sequence[Json], given: Sequence[str]) -> str:
    """Return which sides of a comparison the files at hand belong to; empty for one ride."""
    sides = {side for item in listed if item["sha256"] in given for side in item.get("sides", ())}
    return f" (side {' and '.join(sorted(sides)).upper()})".replace("AND", "and") if sides else ""


def _same_again(
    result: Json | None,
    inputs: Sequence[InputFile],
    reanalyse: Callable[[tuple[float, ...]], bytes],
) -> Check:
    question = "Does this version give the same result again?"
    if result is None:
        text = "The result as data was taken out of the page."
        return Check(question, VerifyAnswer.CANNOT_TELL, text)
    # A case file is stated, not asked for: its moments and losses stand in the result.
    files = [item for item in result["inputs"] if item["role"] not in {"case", "project"}]
    result = result | {"inputs": files}
    stated = {(item["role"], item["sha256"]): item["name"] for item in files}
    missing = set(stated) - {(item.role, item.sha256) for item in inputs}
    if missing:
        listed = ", ".join(sorted(stated[item] for item in missing))
        text = f"Not all that it was made from is at hand; missing: {listed}."
        return Check(question, VerifyAnswer.CANNOT_TELL, text)
    moments = result.get("moments", ())
    again = json.loads(reanalyse(tuple(item["at_s"] for item in moments)))
    if again["tool"] != result["tool"]:
        text = f"Made with version {result['tool']['version']}, this is {again['tool']['version']}."
        return Check(question, VerifyAnswer.CANNOT_TELL, text)
    again = with_names_of(again, result)
    if rfc8785.dumps(again) == rfc8785.dumps(result):
        return Check(question, VerifyAnswer.YES, "The same bytes.")
    parts = ", ".join(name for name in result if again.get(name) != result[name])
    return Check(question, VerifyAnswer.NO, f"Another result; it differs in: {parts}.")
