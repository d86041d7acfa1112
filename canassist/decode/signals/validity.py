"""Which samples are values at all: error codes, "no value" codes and impossible figures."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.database.layouts import group_mask
from canassist.model import EXTENDED_KEY, BoolArray, FloatArray

if TYPE_CHECKING:
    from canassist.decode.database.layouts import MessageLayout, SignalLayout
    from canassist.decode.signals.extract import RawArray, RawSamples

TOO_SHORT: Final = "frame too short"
ERROR_CODE: Final = "error code"
NOT_AVAILABLE: Final = "not available"
RESERVED: Final = "reserved code"
NO_VALUE_LABEL: Final = "value table says no value"
NO_VALUE_PROFILE: Final = "profile says no value"
OUT_OF_RANGE: Final = "outside the database's range"
NOT_FINITE: Final = "not a number"

J1939_BITS: Final = (8, 16, 32)
J1939_STATUS_BITS: Final = 2

J1939_GROUPS: Final = frozenset(
    {
        0xF001,  # 61441 electronic brake
        0xF002,  # 61442 electronic transmission 1
        0xF003,  # 61443 electronic engine 2
        0xF004,  # 61444 electronic engine 1
        0xF005,  # 61445 electronic transmission 2
        0xF009,  # 61449 vehicle dynamic stability
        0xFEBF,  # 65215 wheel speed
        0xFECA,  # 65226 active trouble codes
        0xFEDF,  # 65247 electronic engine 3
        0xFEE5,  # 65253 engine hours
        0xFEE6,  # 65254 time and date
        0xFEE9,  # 65257 fuel consumption
        0xFEEE,  # 65262 engine temperature
        0xFEEF,  # 65263 engine fluid level and pressure
        0xFEF1,  # 65265 cruise control and vehicle speed
        0xFEF2,  # 65266 fuel economy
        0xFEF5,  # 65269 ambient conditions
        0xFEF6,  # 65270 inlet and exhaust conditions
        0xFEF7,  # 65271 vehicle electrical power
        0xFEFC,  # 65276 dash display
    }
)
"""Widely sent J1939 parameter groups (numbers from memory; F004, F009, FEEE, FEF1 and FEF7 as in
public signal tables)."""

_NO_VALUE: Final = frozenset(
    """
    sna na nan nv dna notavailable notavail unavailable signalnotavailable datanotavailable
    valuenotavailable notpresent nosignal novalue nodata nomeasurement invalid invalidvalue
    invaliddata signalinvalid datainvalid valueinvalid invalidsignal notvalid unknown undefined
    undef notdefined notused unused reserved ungueltig ungueltigerwert wertungueltig
    signalungueltig nichtverfuegbar nverfuegbar nichtvorhanden nichtdefiniert undefiniert
    unbekannt keinwert keinsignal keinedaten reserviert unbelegt nichtbelegt indisponible
    nondisponible invalide nonvalide valeurinvalide nondefini inconnu absent pasdevaleur
    nodisponible invalido novalido valorinvalido nodefinido desconocido sinvalor reservado
    nondisponibile nonvalido valorenonvalido sconosciuto riservato indisponivel naodisponivel
    ogiltig ogiltigtvarde ejtillganglig ongeldig nietbeschikbaar
    """.split()  # noqa: SIM905 - a list of quoted words reads worse
)
_NO_VALUE_NUMBER: Final = frozenset(
    """
    err error errorindicator errorvalue errorcode sensorerror signalerror dataerror fault
    faultvalue faulty failure sensorfault sensorfailure fail fehler fehlerwert signalfehler
    sensorfehler defekt erreur defaut panne defautcapteur fallo averia errore guasto avaria erro
    falha fel fout storing
    """.split()  # noqa: SIM905 - as above
)
"""For a quantity these mean "no value"; for a status they are the status."""

_NO_VALUE_PHRASES: Final = (
    *("notavailable", "notvalid", "invalidvalue", "novalue", "nichtverfuegbar", "ungueltig"),
    *("nondisponible", "nonvalide", "nodisponible", "novalido", "nondisponibile", "nonvalido"),
)
"""Anywhere in the text of a quantity, as in "signal not available (SNA)"."""

_AT_THE_TOP: Final = frozenset(
    """
    init initial initvalue initialvalue initialising initializing initwert initialisierung
    default defaultvalue substitute substitutevalue ersatzwert startwert
    """.split()  # noqa: SIM905 - as above
)
"""These mean "no value" for an all-ones code only: at 0 they may label a real zero."""

_NEARLY_TOP: Final = 2
_TRANSLITERATED: Final = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """Values with NaN where there is none, and how many were left out for which reason."""

    value: FloatArray
    left_out: Mapping[str, int]


def check_values(
    samples: RawSamples,
    message: MessageLayout,
    signal: SignalLayout,
    *,
    invalid: Sequence[float] = (),
    is_text: bool = False,
) -> Checked:
    """Turn what is no value into NaN.

    Parameters
    ----------
    samples : RawSamples
        As decoded, in the database's unit.
    invalid : sequence of float
        Values of the profile that mean "no value", in the database's unit.
    is_text : bool
        The channel is a status or a mode: "error" is one of its states then.

    Returns
    -------
    Checked
        Every sample left out is counted once, under the first reason that holds.
    """
    value = samples.value.copy()
    left_out: dict[str, int] = {}
    for reason, found in _reasons(samples, message, signal, invalid, is_text=is_text):
        fresh = found & ~np.isnan(value) if reason not in (TOO_SHORT, NOT_FINITE) else found
        count = int(np.count_nonzero(fresh))
        if count:
            left_out[reason] = count
            value[fresh] = np.nan
    return Checked(value=value, left_out=left_out)


def _reasons(
    samples: RawSamples,
    message: MessageLayout,
    signal: SignalLayout,
    invalid: Sequence[float],
    *,
    is_text: bool,
) -> list[tuple[str, BoolArray]]:
    found = [(TOO_SHORT, samples.short)]
    if signal.is_float:
        found.append((NOT_FINITE, ~np.isfinite(samples.value) & ~samples.short))
    if follows_j1939(message, signal):
        found += j1939_codes(samples.raw, signal.length)
    codes = no_value_codes(signal, is_text=is_text)
    if codes:
        found.append((NO_VALUE_LABEL, np.isin(samples.raw, np.array(codes, samples.raw.dtype))))
    tolerance = abs(signal.scale) / 2.0 if not signal.is_float else 0.0
    if invalid:
        found.append((NO_VALUE_PROFILE, _near(samples.value, invalid, tolerance)))
    if signal.declared_range is not None:
        low, high = signal.declared_range
        tolerance = tolerance or 1e-6 * max(abs(low), abs(high))  # printed ends are rounded
        outside = (samples.value < low - tolerance) | (samples.value > high + tolerance)
        found.append((OUT_OF_RANGE, outside))
    return found


def follows_j1939(message: MessageLayout, signal: SignalLayout) -> bool:
    """Tell whether J1939's reserved codes hold for this signal.

    They do for messages that the database marks as J1939, and for whole-byte fields of
    29-bit messages whose parameter group is a widely sent one.
    """
    if signal.signed or signal.is_float:
        return False
    if message.j1939:
        return signal.length in J1939_BITS or (
            signal.length == J1939_STATUS_BITS and not signal.labels
        )
    in_group = group_mask(message.key).match >> 8 in J1939_GROUPS  # data page and all
    return (
        bool(message.key & EXTENDED_KEY)
        and in_group
        and signal.length in J1939_BITS
        and signal.start % 8 == 0
    )


def j1939_codes(raw: RawArray, length: int) -> list[tuple[str, BoolArray]]:
    """Return where raw values are J1939's error, not-available and reserved codes.

    Parameters
    ----------
    raw : array of uint64, shape (n,)
        Before scaling: FE00 of a road speed reads as a plausible 254 km/h.
    length : int
        2, 8, 16 or 32 bits.

    References
    ----------
    SAE J1939-71 (from memory; the tops of the valid ranges, FA and FAFF, as in public
    signal tables): highest byte FB to FD specific or reserved, FE error, FF not available;
    two bits: 10 error, 11 not available.
    """
    if length == J1939_STATUS_BITS:
        return [(ERROR_CODE, raw == 2), (NOT_AVAILABLE, raw == 3)]  # noqa: PLR2004 - bits 10, 11
    top = raw >> np.uint64(length - 8)  # type: ignore[operator]  # never float: see follows_j1939
    return [
        (RESERVED, (top >= 0xFB) & (top <= 0xFD)),  # noqa: PLR2004 - the code's own bytes
        (ERROR_CODE, top == 0xFE),  # noqa: PLR2004 - as above
        (NOT_AVAILABLE, top == 0xFF),  # noqa: PLR2004 - as above
    ]


def no_value_codes(signal: SignalLayout, *, is_text: bool) -> list[int]:
    """Return the raw values whose text in the value table means "no value"."""
    lowest = -(1 << signal.length - 1) if signal.signed else 0
    highest = lowest + (1 << signal.length) - 1
    found = []
    for raw, text in signal.labels.items():
        if not lowest <= raw <= highest:
            continue
        at_the_top = signal.length > 1 and raw > highest - _NEARLY_TOP
        if means_no_value(text, is_text=is_text, at_the_top=at_the_top):
            found.append(raw)
    return found


def means_no_value(text: str, *, is_text: bool = False, at_the_top: bool = False) -> bool:
    """Tell whether a value table's text means that there is no value.

    Knows the usual English, German, French, Spanish, Italian, Portuguese, Swedish and Dutch
    words and abbreviations (common practice, no source).
    """
    word = _plain(text)
    if word in _NO_VALUE:
        return True
    if is_text:
        return False
    if at_the_top and word in _AT_THE_TOP:
        return True
    return word in _NO_VALUE_NUMBER or any(phrase in word for phrase in _NO_VALUE_PHRASES)


def _plain(text: str) -> str:
    """Fold case and accents away and keep the letters; hexadecimal codes go too."""
    folded = re.sub(r"0x[0-9a-f]+", "", text.casefold())
    folded = folded.translate(_TRANSLITERATED)
    folded = unicodedata.normalize("NFKD", folded)
    return re.sub(r"[^a-z]", "", folded)


def _near(value: FloatArray, wanted: Sequence[float], tolerance: float) -> BoolArray:
    found = np.zeros(len(value), dtype=np.bool_)
    for number in wanted:
        found |= np.abs(value - number) <= max(tolerance, 1e-9 * abs(number))
    return found
