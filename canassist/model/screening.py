"""What many logs together say, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping


class ScreenFigure(StrEnum):
    """Figures that vehicles are held against each other by, in the order shown."""

    PATH_OHM = "path_ohm"
    CHARGING_V = "charging_v"
    OFFSET_NM = "offset_nm"
    ASSIST_SHARE = "assist_share"
    SIDE_SHARE = "side_share"
    DERATE_S_PER_SLOW_MIN = "derate_s_per_slow_min"
    HEAT_S_PER_SLOW_MIN = "heat_s_per_slow_min"
    ONSET_C = "onset_c"

    @property
    def unit(self) -> str:
        """Its unit, as printed."""
        return _UNITS[self]


_UNITS: Final = {
    ScreenFigure.PATH_OHM: "Ω",
    ScreenFigure.CHARGING_V: "V",
    ScreenFigure.OFFSET_NM: "N·m",
    ScreenFigure.ASSIST_SHARE: "share",
    ScreenFigure.SIDE_SHARE: "share",
    ScreenFigure.DERATE_S_PER_SLOW_MIN: "s/min",
    ScreenFigure.HEAT_S_PER_SLOW_MIN: "s/min",
    ScreenFigure.ONSET_C: "°C",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenedLog:
    """One log in short.

    Attributes
    ----------
    log : str
        Its address as it was found.
    status : {"read", "damaged", "failed"}
        Damaged: the log cannot be used. Failed: canassist could not finish it.
    reason : str
        Why it could not be read.
    code, strength : str
        The first conclusion; empty where not read.
    blames : bool
        Whether that conclusion blames a part and is at least moderately sure.
    blamed : tuple of (str, str)
        Every conclusion that blames a part, at any rank, with its strength.
    fit_known, fit_reason
        Share of the bus's cyclic messages that the databases know; why they are not this
        vehicle's, empty where they may be.
    month : str
        ``YYYY-MM`` of the recording, ``"unknown"`` where the log has no clock.
    local_date : bool
        Whether the month is by the recorder's local date, whose zone is not known.
    damage : str
        What of a log that was read is missing, first place; empty where nothing.
    figures : mapping of ScreenFigure to float
        What the ride carries of them.
    duplicate : bool
        The same content was found at another address too and is counted there.
    report : str
        Where its full report lies, beside the overview; empty where none was asked for.
    """

    log: str
    sha256: str = ""
    vehicle: str = ""
    batch: str = ""
    model_year: str = ""
    month: str = "unknown"
    local_date: bool = False
    damage: str = ""
    status: str = "read"
    reason: str = ""
    code: str = ""
    strength: str = ""
    blames: bool = False
    blamed: tuple[tuple[str, str], ...] = ()
    fit_known: float | None = None
    fit_reason: str = ""
    duration_s: float = 0.0
    engine_running_s: float | None = None
    figures: Mapping[ScreenFigure, float] = field(default_factory=dict)
    duplicate: bool = False
    report: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One figure of a vehicle: median of its rides, and its robust z-score among vehicles.

    ``z`` and ``others``, the middle of all vehicles, are None where too few vehicles carry the
    figure; ``outlier`` where it lies beyond the limit on the side that is bad.
    """

    figure: ScreenFigure
    value: float
    z: float | None
    outlier: bool
    rides: int
    others: float | None = None


@dataclass(frozen=True, slots=True)
class BlamedPart:
    """What a vehicle's rides blame at any rank: the surest strength, and on how many rides."""

    code: str
    strength: str
    rides: int

    @property
    def sure(self) -> bool:
        """Whether it is at least moderately sure on one ride."""
        return self.strength != "weak"


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenedVehicle:
    """All logs of one vehicle together.

    ``logs`` are those listed, blaming ones first, of ``rides`` in all; ``codes`` counts all
    rides by first conclusion; ``blamed`` are the conclusions that blame a part at any rank;
    ``ranked`` is False with too little riding. ``place`` is unique. ``points`` say how far and
    how surely it is out (`canassist.screen.vehicle_ranking`), ``designed`` that assist was reduced
    by heat as designed and nothing else. ``fit_known`` and ``fit_reason`` are those of the ride
    that the databases fit least.
    """

    place: int
    name: str
    batch: str
    model_year: str
    logs: tuple[ScreenedLog, ...]
    rides: int
    riding_s: float
    codes: Mapping[str, int]
    blamed: tuple[BlamedPart, ...]
    standings: tuple[Standing, ...]
    ranked: bool
    points: float = 0.0
    designed: bool = False
    fit_known: float | None = None
    fit_reason: str = ""

    @property
    def flagged(self) -> bool:
        """Whether anything of this vehicle wants looking at."""
        return self.ranked and self.points >= 1.0

    @property
    def answered(self) -> bool:
        """Whether any ride answers, read with databases that fit."""
        return not self.fit_reason and set(self.codes) != {"inconclusive"}

    @property
    def sound(self) -> bool:
        """Whether nothing stands out; one that heat reduced as designed is sound too."""
        return self.ranked and not self.flagged and self.answered


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """How many of a number of vehicles are affected; ``low`` and ``high`` bound the share.

    ``places`` are those of the affected vehicles that are listed.
    """

    label: str
    affected: int
    vehicles: int
    low: float
    high: float
    places: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureSpread:
    """One figure over all ranked vehicles: its middle, its usual spread, and what to draw.

    Attributes
    ----------
    middle, spread : float
        NaN where too few vehicles carry the figure.
    vehicles, outliers : int
        How many carry it, and how many of them stand apart.
    low, high : float
        Its range.
    apart : tuple of (int, str, float)
        Place, name and value of the listed vehicles that stand apart.
    usual : tuple of float
        Of the others, evenly thinned, in rising order.
    """

    figure: ScreenFigure
    words: str
    middle: float
    spread: float
    vehicles: int
    outliers: int
    low: float
    high: float
    apart: tuple[tuple[int, str, float], ...]
    usual: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Screening:
    """What a fleet's logs say together.

    Attributes
    ----------
    logs, read, duplicates, local_dates : int
        How many were found; could be read; have a content counted elsewhere; are dated by
        a clock whose zone is not known.
    vehicles : tuple of ScreenedVehicle
        Those listed, worst first; those with too little riding last.
    vehicles_in_all, ranked, flagged : int
        Of all vehicles, also those not listed.
    by_code, by_batch, by_model_year, by_month : tuple of Rate
        Affected vehicles by conclusion, batch, model year and month of recording.
    unread, partly_read : tuple of ScreenedLog
        Logs that gave no result, and those of which something is missing; those listed.
    unread_in_all, partly_read_in_all : int
        How many they are.
    root : str
        The folder or store in which all logs lie; empty where they share none.
    named : bool
        Whether any log's vehicle was told; if not, every log stands as a vehicle.
    """

    version: str
    logs: int
    read: int
    duplicates: int
    local_dates: int
    vehicles: tuple[ScreenedVehicle, ...]
    vehicles_in_all: int
    ranked: int
    flagged: int
    by_code: tuple[Rate, ...]
    by_batch: tuple[Rate, ...]
    by_model_year: tuple[Rate, ...]
    by_month: tuple[Rate, ...]
    spreads: tuple[FigureSpread, ...]
    unread: tuple[ScreenedLog, ...]
    unread_in_all: int
    partly_read: tuple[ScreenedLog, ...]
    partly_read_in_all: int
    root: str
    named: bool
    min_riding_s: float
    z_limit: float
