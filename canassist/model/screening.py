"""What many logs together say, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


class ScreenFigure(StrEnum):
    """Figures that vehicles are held against each other by, in the order shown."""

    PATH_OHM = "path_ohm"
    CHARGING_V = "charging_v"
    OFFSET_NM = "offset_nm"
    DERATE_S_PER_SLOW_MIN = "derate_s_per_slow_min"
    ONSET_C = "onset_c"


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
    code, strength, headline : str
        The first conclusion; empty where not read.
    blames : bool
        Whether that conclusion blames a part and is at least moderately sure.
    month : str
        ``YYYY-MM`` of the recording, ``"unknown"`` where the log has no clock.
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
    status: str = "read"
    reason: str = ""
    code: str = ""
    strength: str = ""
    headline: str = ""
    blames: bool = False
    duration_s: float = 0.0
    engine_running_s: float | None = None
    figures: Mapping[ScreenFigure, float] = field(default_factory=dict)
    duplicate: bool = False
    report: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One figure of a vehicle: median of its rides, and its robust z-score among vehicles.

    ``z`` is None where too few vehicles carry the figure; ``outlier`` where it lies
    beyond the limit on the side that is bad.
    """

    figure: ScreenFigure
    value: float
    z: float | None
    outlier: bool
    rides: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenedVehicle:
    """All logs of one vehicle together.

    ``codes`` counts its rides by first conclusion; ``faults`` are the conclusions that
    blame a part; ``ranked`` is False with too little riding. ``place`` is unique.
    """

    place: int
    name: str
    batch: str
    model_year: str
    logs: tuple[ScreenedLog, ...]
    riding_s: float
    codes: Mapping[str, int]
    faults: tuple[str, ...]
    standings: tuple[Standing, ...]
    ranked: bool

    @property
    def flagged(self) -> bool:
        """Whether anything of this vehicle wants looking at."""
        return self.ranked and (
            bool(self.faults) or any(standing.outlier for standing in self.standings)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """How many of a number of vehicles are affected; ``low`` and ``high`` bound the share."""

    label: str
    affected: int
    vehicles: int
    low: float
    high: float
    places: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureSpread:
    """One figure over all vehicles: its middle, its usual spread and each vehicle's value."""

    figure: ScreenFigure
    words: str
    unit: str
    middle: float
    spread: float
    values: tuple[tuple[int, str, float, bool], ...]
    """Place, name, value and whether it is an outlier, of each ranked vehicle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Screening:
    """What a fleet's logs say together.

    Attributes
    ----------
    vehicles : tuple of ScreenedVehicle
        Worst first; those with too little riding last.
    by_code, by_batch, by_month : tuple of Rate
        Affected vehicles by conclusion, batch (or model year) and month of recording.
    unread : tuple of ScreenedLog
        Damaged and failed logs, with reasons.
    named : bool
        Whether any log's vehicle was told; if not, every log stands as a vehicle.
    """

    version: str
    logs: int
    read: int
    duplicates: int
    vehicles: tuple[ScreenedVehicle, ...]
    by_code: tuple[Rate, ...]
    by_batch: tuple[Rate, ...]
    by_month: tuple[Rate, ...]
    spreads: tuple[FigureSpread, ...]
    unread: tuple[ScreenedLog, ...]
    named: bool
    min_riding_s: float
    z_limit: float
