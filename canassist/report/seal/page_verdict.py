"""What a page proves: one verdict, then why, in sentences for whoever has to pay on it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final

from canassist.errors import CanassistError, MissingExtraError, OutputError
from canassist.report.seal import old_seal, seal
from canassist.report.seal.edwards25519 import why_weak
from canassist.report.seal.other_versions import (
    data_of,
    differing_parts,
    other_versions,
    same_data,
    says_otherwise,
    why_never,
    with_versions,
)
from canassist.report.seal.page_parts import looks_like_ours, part_of
from canassist.report.seal.signing import fingerprint, is_signed
from canassist.report.seal.statement import read_statement

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from canassist.model import InputFile
    from canassist.report.seal.seal import SealedPage
    from canassist.report.seal.statement import PageStatement, StatedFile

    Remake = Callable[[PageStatement, bytes], bytes]
    """Takes a page's statement and its signer's public key, and makes the page again."""


class PageVerdict(Enum):
    """What `verify` answers: its first line, and the exit status that goes with it."""

    NO_REPORT = ("NO REPORT OF CANASSIST", 3)
    ALTERED = ("ALTERED", 4)
    OLD_SEAL = ("OLD SEAL", 4)
    NOT_FROM_THESE_FILES = ("NOT FROM THESE FILES", 4)
    SIGNED_BY_ANOTHER_KEY = ("SIGNED BY ANOTHER KEY", 4)
    GENUINE = ("GENUINE", 0)
    SIGNED_KEY_NOT_CHECKED = ("SIGNED, KEY NOT CHECKED", 0)
    MADE_AGAIN_UNSIGNED = ("MADE AGAIN, UNSIGNED", 0)
    UNDAMAGED_UNSIGNED = ("UNDAMAGED, UNSIGNED", 0)

    @property
    def line(self) -> str:
        """The line that `verify` begins with."""
        return self.value[0]

    @property
    def status(self) -> int:
        """What `verify` ends with."""
        return self.value[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A verdict and its reasons.

    Attributes
    ----------
    verdict : PageVerdict
    reasons : tuple of str
        Sentences: what it rests on, what it proves and what it does not.
    data_alone : bool
        Other versions of what decides bytes were at work: the data was compared with what
        these files give, the page itself was not.
    """

    verdict: PageVerdict
    reasons: tuple[str, ...]
    data_alone: bool = False

    @property
    def line(self) -> str:
        """The first line of the answer."""
        more = " (made by other versions: its data was compared, the page itself was not)"
        return self.verdict.line + (more if self.data_alone else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownKeys:
    """Keys by fingerprint (64 hexadecimal letters): those asked for, and those trusted by name."""

    asked: frozenset[str] = frozenset()
    trusted: Mapping[str, str] | None = None


PROVES: Final = {
    PageVerdict.NO_REPORT: (
        "The file carries neither a seal of canassist nor data of it. Give the HTML page that "
        "canassist wrote.",
    ),
    PageVerdict.ALTERED: (
        "The file is not, byte for byte, what canassist wrote. It may have been edited, cut, or "
        "written anew by a browser, a mail program or a portal on its way; that cannot be told "
        "apart, so nothing in it counts.",
        "Ask the sender for the file as canassist wrote it, packed in a zip so that nothing "
        "on the way writes it anew.",
    ),
    PageVerdict.OLD_SEAL: (
        "It is sealed by the old, weak rule of canassist 0.1: a page can be changed for its "
        "readers and still pass that rule, so it proves nothing.",
        "Make the report again from its log, database and profile with this version.",
    ),
    PageVerdict.NOT_FROM_THESE_FILES: (
        "The page is not what these files give. Either other files belong to it, or someone "
        "wrote it by other means.",
        "Ask the sender for the files named above, or have the report made from the files here.",
    ),
    PageVerdict.SIGNED_BY_ANOTHER_KEY: (
        "None of the keys asked for signed this page. Ask the sender for a page signed by the "
        "key that you expect.",
    ),
    PageVerdict.GENUINE: (
        "Proven: the page is byte for byte what the holder of that key signed. Not proven: that "
        "what was stated (case data, date, names) is true, or that the log is of that vehicle.",
    ),
    PageVerdict.SIGNED_KEY_NOT_CHECKED: (
        "Proven: the page is byte for byte what the holder of that key signed. Not proven: who "
        "that is. Anyone can make a key: compare its fingerprint with the one that the signer "
        "gave you, or name the key with --key.",
    ),
    PageVerdict.MADE_AGAIN_UNSIGNED: (
        "Proven: these files and what is stated give exactly this page. Not proven: who made it, "
        "that what was stated (case data, date, names) is true, or that the log is of that "
        "vehicle.",
    ),
    PageVerdict.UNDAMAGED_UNSIGNED: (
        "This does not prove that the report is genuine. The file was not damaged by accident, "
        "but anyone can write a page that says anything and put such a seal under it. Do not "
        "pay on it: check it with --log, --dbc and --profile, or ask for a signed one.",
    ),
}
"""What each verdict proves and what it does not, for a layman."""

_ROLES: Final = {
    "log": "log",
    "dbc": "database",
    "profile": "profile",
    "vehicles": "list of vehicles",
}
_SPARE: Final = 1 << 20
"""So many more bytes than the files give here are unpacked of a page's data: enough to differ."""
_OPTIONS: Final = {role: f"--{role}" for role in _ROLES}


def verify_page(
    data: bytes,
    *,
    inputs: Sequence[InputFile] = (),
    remake: Remake | None = None,
    keys: KnownKeys | None = None,
) -> Answer:
    """Tell what a page proves.

    Parameters
    ----------
    data : bytes
        The whole file.
    inputs : sequence of InputFile
        The files at hand, hashed.
    remake : callable, optional
        Makes the page again from the files at hand; given where a log is among them.
    keys : KnownKeys, optional
        Keys asked for, and keys trusted.

    Returns
    -------
    Answer

    Raises
    ------
    MissingExtraError
        If the page is signed, or needs a library to be made again, that is not installed.
    """
    if not looks_like_ours(data):
        return _answer(PageVerdict.NO_REPORT)
    if seal.MARK not in data and old_seal.is_old(data):
        return _answer(PageVerdict.OLD_SEAL, old_seal.compared(data, inputs, remake))
    page = seal.read_sealed(data)
    if page is None:
        return _answer(PageVerdict.ALTERED)
    if page.signature is not None:
        if why := why_weak(page.signature.public_key):
            return _answer(PageVerdict.ALTERED, [f"Its key proves nothing: {why}."])
        if not is_signed(page.digest, page.signature):
            return _answer(PageVerdict.ALTERED, ["Its signature is not the key's."])
    return _of_sealed(page, inputs, remake, keys or KnownKeys())


def _answer(verdict: PageVerdict, reasons: Sequence[str] = (), **more: bool) -> Answer:
    return Answer(verdict=verdict, reasons=(*reasons, *PROVES[verdict]), **more)


def _of_sealed(
    page: SealedPage, inputs: Sequence[InputFile], remake: Remake | None, keys: KnownKeys
) -> Answer:
    origin = _Origin()
    if inputs:
        try:
            origin = _origin(page, inputs, remake)
        except _OtherFilesError as error:
            return _answer(PageVerdict.NOT_FROM_THESE_FILES, error.args)
    verdict, words = _by_key(page, keys)
    if verdict is PageVerdict.UNDAMAGED_UNSIGNED and origin.made_again:
        verdict = PageVerdict.MADE_AGAIN_UNSIGNED
    return _answer(verdict, [*words, *origin.words], data_alone=origin.data_alone)


def _by_key(page: SealedPage, keys: KnownKeys) -> tuple[PageVerdict, list[str]]:
    """Return what the signature alone makes of a page."""
    if page.signature is None:
        if keys.asked:
            return PageVerdict.SIGNED_BY_ANOTHER_KEY, ["It is not signed at all."]
        return PageVerdict.UNDAMAGED_UNSIGNED, []
    shown = fingerprint(page.signature.public_key)
    plain, trusted = shown.replace(" ", ""), keys.trusted or {}
    if keys.asked:
        asked_for = plain in keys.asked
        verdict = PageVerdict.GENUINE if asked_for else PageVerdict.SIGNED_BY_ANOTHER_KEY
        whose = "the key asked for" if asked_for else "another key"
        return verdict, [f"Signed by {whose}: {shown}."]
    if plain in trusted:
        return PageVerdict.GENUINE, [f"Signed by {trusted[plain]}, a key that you trust: {shown}."]
    return PageVerdict.SIGNED_KEY_NOT_CHECKED, [f"Signed by the key {shown}."]


@dataclass(frozen=True, slots=True)
class _Origin:
    """What the files at hand tell of a page."""

    made_again: bool = False
    data_alone: bool = False
    words: tuple[str, ...] = ()


class _OtherFilesError(Exception):
    """The files at hand do not give this page; the sentences say why."""


def _origin(page: SealedPage, inputs: Sequence[InputFile], remake: Remake | None) -> _Origin:
    """Compare a page with the files at hand.

    Raises
    ------
    _OtherFilesError
        If it is not from them.
    """
    stated = part_of(page.body, seal.STATEMENT_ID)
    if stated is None:
        raise _OtherFilesError("The page does not state what it was made from.")
    try:
        statement = read_statement(stated)
    except ValueError as error:
        message = f"What the page states of its making is none of ours: {error}."
        raise _OtherFilesError(message) from error
    words = _check_hashes(statement, inputs, whole=remake is not None)
    if remake is None:
        return _Origin(words=(*words, "The page was not made again: that needs --log."))
    key = page.signature.public_key if page.signature else b""
    try:
        again = remake(statement, key)
    except (MissingExtraError, OutputError):
        raise
    except CanassistError as error:
        raise _OtherFilesError(f"It cannot be made again: {error.problem}") from error
    return _compared(page.body, again, statement, words)


def _check_hashes(
    statement: PageStatement, inputs: Sequence[InputFile], *, whole: bool
) -> tuple[str, ...]:
    """Return what the hashes tell; with a log at hand, all that is stated must be at hand.

    A lie could else name a file that nobody has, and never be made again.
    """
    words, wrong = [], []
    many = statement.kind in {"screening", "learning"}  # their page names each log by its content
    for role, name in _ROLES.items():
        if many and role == "log":
            continue
        given = {item.sha256 for item in inputs if item.role == role}
        listed = {item.sha256: item for item in statement.of_role(role)}
        wrong += [
            f"{item.name} is no {name} that the page was made from: its hash is not among them."
            for item in inputs
            if item.role == role and item.sha256 not in listed
        ]
        missing = [item for sha256, item in listed.items() if sha256 not in given]
        if (given or whole) and missing:
            wrong.append(_missing(missing, role, name))
        elif given:
            words.append(f"Made from this {name}: the hashes agree.")
    if wrong:
        raise _OtherFilesError(*wrong)
    return tuple(words)


def _missing(items: Sequence[StatedFile], role: str, words: str) -> str:
    listed = ", ".join(f"{item.name} (SHA-256 {item.sha256})" for item in items)
    return (
        f"The page names a {words} that is not given here, {listed}: add it with {_OPTIONS[role]}."
    )


def _compared(
    body: bytes, again: bytes, statement: PageStatement, words: tuple[str, ...]
) -> _Origin:
    stated = "Case data, moments, date, units, zone and masking were taken as stated, not proven."
    if again[: -seal.LENGTH] == body:
        same = "Made again from these files: the same page, byte for byte."
        return _Origin(made_again=True, words=(*words, same, stated))
    other = other_versions(statement)
    if other and (why := why_never(statement)):
        raise _OtherFilesError(why)
    if other and with_versions(again, statement)[: -seal.LENGTH] == body:
        told = f"Stated as made with {', '.join(other)}; all else is the same, byte for byte."
        return _Origin(made_again=True, words=(*words, told, stated))
    if not other:
        where = _first_difference(body, again[: -seal.LENGTH])
        raise _OtherFilesError(f"Made again from these files it is another page, from {where} on.")
    own = data_of(again) or b""
    mine = data_of(body, most=len(own) + _SPARE)
    told = f"Made with {', '.join(other)}."
    if mine is None or not same_data(mine, own, statement):
        names = differing_parts(mine, own)
        raise _OtherFilesError(
            told,
            f"The data that these files give here differs from the page's{names}. Whether that is "
            "a change of version or a lie, only the versions that made it can tell: install "
            f"canassist {statement.versions.get('canassist', 'of that version')} and verify there.",
        )
    alike = (
        "Its data is the same as these files give here; the page itself was not compared: its "
        "words and pictures may say something else. To compare them, install those versions and "
        "verify there, or have the report made from these files here."
    )
    if says_otherwise(body, again[: -seal.LENGTH], statement):
        other_words = (
            "Beside pictures and scripts it differs from the page that these files give here, and "
            "no library explains that: do not believe its words."
        )
        return _Origin(data_alone=True, words=(*words, told, other_words, alike, stated))
    return _Origin(data_alone=True, words=(*words, told, alike, stated))


def _first_difference(one: bytes, other: bytes) -> str:
    length = min(len(one), len(other))
    low, high = 0, length
    while low < high:  # the longest common beginning, by halves
        middle = (low + high + 1) // 2
        low, high = (middle, high) if one[:middle] == other[:middle] else (low, middle - 1)
    return f"byte {low + 1}"
