"""Public keys that prove nothing: points of the curve with which anyone can sign.

Signatures are made and checked by a library. This file only judges keys that come from
outside, by the arithmetic of RFC 8032, section 5.1: a key must be one point of the large
prime group, written in its one canonical way.
"""

from __future__ import annotations

from typing import Final

P: Final = 2**255 - 19
ORDER: Final = 2**252 + 27742317777372353535851937790883648493
D: Final = -121665 * pow(121666, P - 2, P) % P
_ROOT: Final = pow(2, (P - 1) // 4, P)
_BYTES: Final = 32

Point = tuple[int, int, int, int]
"""Extended coordinates X, Y, Z, T with x = X/Z, y = Y/Z, x y = T/Z (RFC 8032, 5.1.4)."""

IDENTITY: Final[Point] = (0, 1, 1, 0)

PUBLISHED_SECRETS: Final = frozenset(
    {
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "278117fc144c72340f67d0f2316e8386ceffbf2b2428c9c51fef7c597f1d426e",
        "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
        "3b6a27bcceb6a42d62a3a8d02a6f0d73653215771de243a63ac048a18b59da29",
    }
)
"""Keys whose private halves are known to all: the examples of RFC 8032, 7.1, and the seed 0."""


def why_weak(public_key: bytes) -> str:
    """Return why a signature by this key proves nothing; empty where it is a sound key.

    Parameters
    ----------
    public_key : bytes
        A raw Ed25519 public key.
    """
    if len(public_key) != _BYTES:
        return "it is not 32 bytes long"
    point = decode(public_key)
    if point is None:
        return "it is no point of the curve in its one spelling"
    if _is_identity(times(8, point)):
        return "it is of small order, and anyone can sign with it"
    if not _is_identity(times(ORDER, point)):
        return "it lies outside the group that keys are made in"
    if public_key.hex() in PUBLISHED_SECRETS:
        return "its private half is published"
    return ""


def decode(text: bytes) -> Point | None:
    """Return the point that 32 bytes stand for; None where they are no canonical spelling."""
    number = int.from_bytes(text, "little")
    sign, y = number >> 255, number & (2**255 - 1)
    if y >= P:
        return None
    x = _x_of(y, sign)
    return None if x is None else (x, y, 1, x * y % P)


def encode(point: Point) -> bytes:
    """Return a point's 32 bytes."""
    inverse = pow(point[2], P - 2, P)
    x, y = point[0] * inverse % P, point[1] * inverse % P
    return (y | (x & 1) << 255).to_bytes(_BYTES, "little")


def add(one: Point, other: Point) -> Point:
    """Return the sum of two points (RFC 8032, 5.1.4)."""
    a = (one[1] - one[0]) * (other[1] - other[0]) % P
    b = (one[1] + one[0]) * (other[1] + other[0]) % P
    c = 2 * one[3] * other[3] * D % P
    d = 2 * one[2] * other[2] % P
    e, f, g, h = b - a, d - c, d + c, b + a
    return (e * f % P, g * h % P, f * g % P, e * h % P)


def times(factor: int, point: Point) -> Point:
    """Return a multiple of a point; not for secrets, its time tells the factor."""
    total = IDENTITY
    while factor:
        if factor & 1:
            total = add(total, point)
        point = add(point, point)
        factor >>= 1
    return total


def _is_identity(point: Point) -> bool:
    return point[0] % P == 0 and (point[1] - point[2]) % P == 0


def _x_of(y: int, sign: int) -> int | None:
    """Return the x of a y with the asked-for lowest bit (RFC 8032, 5.1.3)."""
    square = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    if square == 0:
        return None if sign else 0
    x = pow(square, (P + 3) // 8, P)
    if (x * x - square) % P:
        x = x * _ROOT % P
    if (x * x - square) % P:
        return None
    return P - x if x & 1 != sign else x
