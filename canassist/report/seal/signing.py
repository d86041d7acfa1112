"""Ed25519 keys and signatures (RFC 8032)."""

from __future__ import annotations

import hashlib
from importlib import import_module
from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.errors import InputError, MissingExtraError

if TYPE_CHECKING:
    from types import ModuleType

    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

CONTEXT: Final = b"canassist-seal/1\n"
"""Stands before what is signed, so that no other text's signature can be passed off."""

_GROUP: Final = 4


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


def sign(message: bytes, private_pem: bytes, *, name: str = "the key file") -> Signature:
    """Sign a message.

    Parameters
    ----------
    message : bytes
        What is signed, after `CONTEXT`.
    private_pem : bytes
        An Ed25519 private key as `make_keys` gives it.
    name : str
        The key file's name, for messages.

    Raises
    ------
    InputError
        If it is no such key.
    MissingExtraError
        If the library for signatures is not installed.
    """
    private = _load(private_pem, name)
    return Signature(private.sign(CONTEXT + message), private.public_key().public_bytes_raw())


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


def _load(private_pem: bytes, name: str) -> Ed25519PrivateKey:
    forms, keys = _forms(), _keys()
    try:
        private = forms.load_pem_private_key(private_pem, password=None)
    except (ValueError, TypeError) as error:
        problem = f"{name}: no private key in PEM form, or one with a password."
        raise InputError(problem, "Make one with `canassist keys`.") from error
    if not isinstance(private, keys.Ed25519PrivateKey):
        problem = f"{name}: a key of another kind than Ed25519."
        raise InputError(problem, "Make one with `canassist keys`.")
    found: Ed25519PrivateKey = private
    return found


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
