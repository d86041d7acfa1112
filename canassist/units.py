"""Unit names as databases spell them, and exact conversions to the units used inside."""

from __future__ import annotations

import math
from typing import Final, NamedTuple


class Conversion(NamedTuple):
    """``inside = value * scale + offset``."""

    scale: float
    offset: float = 0.0


SAME: Final = Conversion(1.0)

_MILE_KM: Final = 1.609344  # international yard and pound agreement, exact
_DEGREE: Final = 180.0 / math.pi
_RPM: Final = 60.0 / (2.0 * math.pi)

_POUND_FOOT: Final = 1.3558179483314004  # N·m, NIST SP 811 appendix B

_SPELLINGS: Final[dict[str, tuple[tuple[str, Conversion], ...]]] = {
    "km/h": (
        ("km/h kph kmh km/u km/t kmph kmperhour kilometerperhour kmperhr kilometreperhour", SAME),
        ("mph mi/h mile/h miles/h mileperhour milesperhour", Conversion(_MILE_KM)),
        ("m/s mps meterpersecond meterpersec", Conversion(3.6)),
        ("cm/s", Conversion(0.036)),
    ),
    "rpm": (
        (
            "rpm minutinver 1/min r/min rev/min u/min min-1 min^-1 tr/min /min revpermin upm "
            "obr/min ot/min varv/min giri/min t/min o/min",
            SAME,
        ),
        ("rad/s", Conversion(_RPM)),
        ("1/s hz rps", Conversion(60.0)),
    ),
    "V": (
        ("v volt volts", SAME),
        ("mv millivolt", Conversion(0.001)),
        ("v/10 dv", Conversion(0.1)),
        ("cv", Conversion(0.01)),
    ),
    "A": (
        ("a amp amps amper ampere amperes", SAME),
        ("ma milliamper milliampere", Conversion(0.001)),
        ("a/10 da", Conversion(0.1)),
        ("ca", Conversion(0.01)),
    ),
    "degC": (
        (
            "degc c °c celsius deg.c gradc degcelsius degreec degreesc degreecelsius "
            "degreescelsius degrecelsi degrecelsius °celsius ºc ℃ grdc",
            SAME,
        ),
        ("k kelvin degk", Conversion(1.0, -273.15)),
        ("degf f °f ℉ fahrenheit degreef degreesf", Conversion(5.0 / 9.0, -160.0 / 9.0)),
    ),
    "N·m": (
        (
            "nm newtometer newtonmetre n·m n⋅m n*m n.m newtonmeter newtonmetre newton-meter n-m",
            SAME,
        ),
        ("mnm mn·m millinewtometer millinewtonmeter", Conversion(0.001)),
        ("cnm centinewtometer centinewtonmeter", Conversion(0.01)),
        ("nm/10 dnm", Conversion(0.1)),
        ("danm dan·m dan.m", Conversion(10.0)),
        (
            "lbf·ft lbf-ft lbf.ft lbf*ft lbfft lb·ft lb.ft lb*ft ft·lb ft.lb ft*lb ft·lbf ft-lbf "
            "ft.lbf ftlbf lbft ft-lb ftlb lb-ft",
            Conversion(_POUND_FOOT),
        ),
        (
            "lbin in-lb lb-in in·lb in.lb lb·in lb.in in-lbf lbf-in lbf·in lbf.in inlb inlbf lbfin",
            Conversion(_POUND_FOOT / 12.0),
        ),
    ),
    "deg": (
        ("deg ° degree degrees degreofarc degreeofarc grad grd º", SAME),
        ("rad radian", Conversion(_DEGREE)),
        ("mrad", Conversion(_DEGREE / 1000.0)),
        ("deg/10", Conversion(0.1)),
    ),
    "%": (
        ("% percent pct prozent perc", SAME),
        ("1", Conversion(100.0)),
        ("permil ‰", Conversion(0.1)),
    ),
}

_KNOWN: Final = {
    wanted: {word: rule for words, rule in rows for word in words.split()}
    for wanted, rows in _SPELLINGS.items()
}


def conversion(unit: str, wanted: str) -> Conversion | None:
    """Return how to turn a value in `unit` into the unit used inside.

    Parameters
    ----------
    unit : str
        As a database spells it; case and blanks do not matter.
    wanted : str
        One of the values of `model.CHANNEL_UNITS`.

    Returns
    -------
    Conversion or None
        None where `unit` is empty, unknown or of another quantity.

    Notes
    -----
    Factors are exact by definition: mile 1.609344 km, pound-force foot
    1.3558179483314004 N·m (NIST SP 811, appendix B), degrees by pi.
    """
    spelled = "".join(unit.split()).casefold().replace("_", "").removeprefix("unit")
    return _KNOWN.get(wanted, {}).get(spelled)
