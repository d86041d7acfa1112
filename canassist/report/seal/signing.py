"""Ed25519 keys and signatures (RFC 8032)."""

from __future__ import annotations

import binascii
import hashlib
import re
from importlib import import_module
from typing import TYPE_CHECKING, Final, NamedTuple, TypeAlias

from canassist.errors import InputError, MissingExtraError
from canassist.report.seal.edwards25519 import why_weak

if TYPE_CHECKING:
    from types import ModuleType

    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    PrivateKey: TypeAlias = Ed25519PrivateKey

CONTEXT: Final = b"canassist-seal/2\n"
"""Stands before what is signed, so that no other text's signature can be passed off."""

_GROUP: Final = 4
_PEM: Final = re.compile(
    rb"-----BEGIN PUBLIC KEY-----\s+([A-Za-z0-9+/=\s]{1,400})-----END PUBLIC KEY-----\s*"
)
_BEFORE_KEY: Final = bytes.fromhex("302a300506032b6570032100")
"""What stands before the raw key in the file of an Ed25519 public key (RFC 8410)."""


class KeyPair(NamedTuple):
    """A new key: the private half as PEM to keep secret, the public one to give away."""

    private_pem: bytes
    public_pem: bytes
    fingerprint: str


class Signature(NamedTuple):
    """A signature with the public key that checks it, both as raw bytes."""

    signature: bytes
    public_key: bytes


def fingerprint(public_key: bytes) -> str:
    """Return what people compare: the SHA-256 of the raw public key, in groups of four."""
    text = hashlib.sha256(public_key).hexdigest()
    return " ".join(text[place : place + _GROUP] for place in range(0, len(text), _GROUP))


def make_keys() -> KeyPair:
    """Return a new signing key.

    Raises
    ------
    MissingExtraError
        If the library for signatures is not installed.
    """
    forms, keys = _forms(), _keys()
    private = keys.Ed25519PrivateKey.generate()
    public = private.public_key()
    pem = private.private_bytes(forms.Encoding.PEM, forms.PrivateFormat.PKCS8, forms.NoEncryption())
    public_pem = public.public_bytes(forms.Encoding.PEM, forms.PublicFormat.SubjectPublicKeyInfo)
    return KeyPair(pem, public_pem, fingerprint(public.public_bytes_raw()))


def sign(message: bytes, private: PrivateKey) -> Signature:
    """Sign a message, which stands after `CONTEXT`."""
    return Signature(private.sign(CONTEXT + message), public_key_of(private))


def public_key_of(private: PrivateKey) -> bytes:
    """Return the raw public key that belongs to a private one."""
    return private.public_key().public_bytes_raw()


def is_signed(message: bytes, signature: Signature) -> bool:
    """Tell whether a signature is this key's over this message.

    Raises
    ------
    MissingExtraError
        If the library for signatures is not installed.
    """
    keys, errors = _keys(), _library("cryptography.exceptions")
    try:
        public = keys.Ed25519PublicKey.from_public_bytes(signature.public_key)
        public.verify(signature.signature, CONTEXT + message)
    except (errors.InvalidSignature, ValueError):
        return False
    return True


def load_private_key(private_pem: bytes, name: str) -> PrivateKey:
    """Return the key in a private key's file.

    Parameters
    ----------
    private_pem : bytes
        An Ed25519 private key as `make_keys` gives it.
    name : str
        The key file's name, for messages.

    Raises
    ------
    InputError
        If it is no such key, or one that anyone knows.
    MissingExtraError
        If the library for signatures is not installed.
    """
    forms, keys = _forms(), _keys()
    try:
        private = forms.load_pem_private_key(private_pem, password=None)
    except (ValueError, TypeError) as error:
        problem = f"{name}: no private key in PEM form, or one with a password."
        raise InputError(problem, "Make one with `canassist keys`.") from error
    if not isinstance(private, keys.Ed25519PrivateKey):
        problem = f"{name}: a key of another kind than Ed25519."
        raise InputError(problem, "Make one with `canassist keys`.")
    known: PrivateKey = private
    if why := why_weak(public_key_of(known)):
        problem = f"{name}: a key that proves nothing: {why}."
        raise InputError(problem, "Make one with `canassist keys`.")
    return known


def load_public_key(text: bytes, name: str) -> bytes:
    """Return the raw key in a public key's file, as `make_keys` gives it.

    Raises
    ------
    InputError
        If it is no such key, or one that proves nothing.
    """
    if b"PRIVATE KEY" in text:
        problem = f"{name}: a private key, which stays with its owner."
        raise InputError(problem, "Give the public one, which ends in .pub.")
    found = _PEM.fullmatch(text.strip() + b"\n")
    try:
        content = (
            binascii.a2b_base64(b"".join(found[1].split()), strict_mode=True) if found else b""
        )
    except binascii.Error:
        content = b""
    key = content.removeprefix(_BEFORE_KEY)
    if not content.startswith(_BEFORE_KEY):
        problem = f"{name}: no Ed25519 public key in PEM form."
        raise InputError(problem, "Give the .pub file that `canassist keys` wrote.")
    if why := why_weak(key):
        problem = f"{name}: a key that proves nothing: {why}."
        raise InputError(problem, "Ask the signer for a key made by `canassist keys`.")
    return key


def _forms() -> ModuleType:
    return _library("cryptography.hazmat.primitives.serialization")


def _keys() -> ModuleType:
    return _library("cryptography.hazmat.primitives.asymmetric.ed25519")


def _library(name: str) -> ModuleType:
    try:
        return import_module(name)
    except ImportError as error:
        raise _missing() from error


def _missing() -> MissingExtraError:
    problem = "Signatures need the `cryptography` library, which is not installed."
    return MissingExtraError(problem, 'Install it with `pip install "canassist[sign]"`.')
