"""Vehicle identification numbers: their shape and their check digit."""

from __future__ import annotations

import re
from typing import Final

_SHAPE: Final = re.compile(r"[A-HJ-NPR-Z0-9]{17}")
_WEIGHTS: Final = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_VALUES: Final = {
    **{str(digit): digit for digit in range(10)},
    **dict(
        zip(
            "ABCDEFGHJKLMNPRSTUVWXYZ",
            (*range(1, 9), *range(1, 6), 7, 9, *range(2, 10)),
            strict=True,
        )
    ),
}
_CHECK_PLACE: Final = 8


def vin_check_digit_ok(vin: str) -> bool:
    """Tell whether the ninth character of a VIN is its check digit.

    What is not shaped like a VIN has none. A mismatch is a warning only: outside North
    America the digit is not compulsory.

    References
    ----------
    .. [1] 49 CFR 565, tables III to V: letter values, weights, remainder of 11.
    """
    vin = vin.upper()
    if not _SHAPE.fullmatch(vin):
        return False
    total = sum(weight * _VALUES[place] for weight, place in zip(_WEIGHTS, vin, strict=True))
    return vin[_CHECK_PLACE] == "0123456789X"[total % 11]
