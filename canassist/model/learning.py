"""What known-good rides say of a model, as frozen values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from canassist.model.profile import LearnedFigure, Profile
    from canassist.model.result import InputFile


class BinnedLevel(NamedTuple):
    """What assist was left in one band of a quantity: middle of the band, %, seconds ridden."""

    x: float
    level_pct: float
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RideFigures:
    """What one ride tells of its vehicle.

    Attributes
    ----------
    log, sha256 : str
        File name, and what the file holds.
    vehicle : str
        Whose ride it is.
    answer : str
        The tool's own first answer.
    blames : str
        Code of a conclusion that blames a part at moderate or more; empty where none does.
    figures : mapping of name to float
        Such as ``"path_ohm"``; a figure that the ride does not carry is left out.
    levels : mapping of quantity to tuple of BinnedLevel
        Upper envelope of the assist limit by ``"temperature"`` and ``"supply"``.
    gains : mapping of mode to tuple of (km/h, gain)
        The assist map that the ride shows.
    seconds : mapping of name to float
        Riding that stands behind it.
    reason : str
        Why the ride could not be used at all; empty where it could.
    """

    log: str
    sha256: str = ""
    size_bytes: int = 0
    vehicle: str = ""
    answer: str = ""
    blames: str = ""
    figures: Mapping[str, float] = field(default_factory=dict)
    levels: Mapping[str, tuple[BinnedLevel, ...]] = field(default_factory=dict)
    gains: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    seconds: Mapping[str, float] = field(default_factory=dict)
    reason: str = ""


class LawPoint(NamedTuple):
    """One vehicle's point of a law or figure."""

    vehicle: str
    x: float
    y: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedLaw:
    """One law or figure of the model: what was learned, or why it was not.

    ``name`` is its place in the profile, ``use`` what it is used for there; ``missing``
    says which ride would add it where ``figure`` is None.
    """

    name: str
    words: str
    unit: str
    figure: LearnedFigure | None
    use: str = ""
    missing: str = ""
    x_words: str = ""
    points: tuple[LawPoint, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOutRide:
    """A ride that was not learned from, and the figure that sets it apart."""

    log: str
    vehicle: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedModel:
    """What all rides together say, and the profile that holds it."""

    version: str
    profile: Profile
    laws: tuple[LearnedLaw, ...]
    rides: int
    vehicles: int
    used: tuple[RideFigures, ...]
    left_out: tuple[LeftOutRide, ...]
    inputs: tuple[InputFile, ...] = ()
