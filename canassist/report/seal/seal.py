"""The seal: one field of fixed length at a page's end, over every byte before it.

Nothing of the page is interpreted. The field holds the SHA-256 of all that stands before
it, and, where the page is signed, the public key and its signature of that digest; zeros
otherwise. Small hexadecimal letters, one blank between the parts, one line end: a page has
exactly one spelling, and any other is an altered page.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canassist.report.seal.signing import Signature, public_key_of, sign

if TYPE_CHECKING:
    from canassist.report.seal.signing import PrivateKey

RESULT_ID: Final = "canassist-result"
STATEMENT_ID: Final = "canassist-statement"
FIGURES_ID: Final = "canassist-figures"
LIBRARY_ID: Final = "canassist-library"
LOADER_ID: Final = "canassist-loader"

MARK: Final = b"<!--canassist-seal/"
"""No page has it but at its end: all text in a page is escaped."""

_OPENING: Final = MARK + b"2 "
_CLOSING: Final = b"-->\n"
_DIGEST: Final = 64
_KEY: Final = 64
_SIGNATURE: Final = 128
LENGTH: Final = len(_OPENING) + _DIGEST + 1 + _KEY + 1 + _SIGNATURE + len(_CLOSING)
_SMALL_HEX: Final = frozenset(b"0123456789abcdef")


@dataclass(frozen=True, slots=True)
class Sealer:
    """Seals pages, signed or not.

    Parameters
    ----------
    private : PrivateKey, optional
        Signs; None leaves pages unsigned.
    public_key : bytes
        Of a signer who is not here: pages are made as they were for that key, unsigned. So
        a signed page can be made again, and compared but for its field.
    """

    private: PrivateKey | None = None
    public_key: bytes = b""

    @property
    def key(self) -> bytes:
        """The raw public key that pages name; empty where they are not signed."""
        return public_key_of(self.private) if self.private is not None else self.public_key

    def field(self, body: bytes) -> bytes:
        """Return the field that ends a page.

        Parameters
        ----------
        body : bytes
            The whole page before it.
        """
        digest = hashlib.sha256(body).digest()
        if self.private is None:
            return _written(digest, bytes(_KEY // 2), bytes(_SIGNATURE // 2))
        made = sign(digest, self.private)
        return _written(digest, made.public_key, made.signature)


@dataclass(frozen=True, slots=True)
class SealedPage:
    """A page whose seal holds: its bytes before the field, and its signature."""

    body: bytes
    digest: bytes
    signature: Signature | None


def read_sealed(data: bytes) -> SealedPage | None:
    """Return a page taken at its field; None where any byte is other than it was made.

    Whether a signature is its key's is another question: see `canassist.report.seal.page_verdict`.

    Parameters
    ----------
    data : bytes
        A whole file.
    """
    body, field = data[:-LENGTH], data[-LENGTH:]
    if data.count(MARK) != 1 or not field.startswith(_OPENING):
        return None
    texts = field[len(_OPENING) : -len(_CLOSING)].split(b" ")
    if [len(text) for text in texts] != [_DIGEST, _KEY, _SIGNATURE]:
        return None
    if not all(_SMALL_HEX.issuperset(text) for text in texts):
        return None
    digest, key, signature = (bytes.fromhex(text.decode("ascii")) for text in texts)
    if field != _written(digest, key, signature) or hashlib.sha256(body).digest() != digest:
        return None
    if any(key) != any(signature):
        return None
    return SealedPage(body, digest, Signature(signature, key) if any(key) else None)


def _written(digest: bytes, key: bytes, signature: bytes) -> bytes:
    text = f"{digest.hex()} {key.hex()} {signature.hex()}"
    return _OPENING + text.encode("ascii") + _CLOSING
