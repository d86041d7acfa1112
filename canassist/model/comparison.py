"""What a comparison of two sides says, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from canassist.model.estimates import Estimate, Points

if TYPE_CHECKING:
    from canassist.model.result import Case, Result


class FigureName(StrEnum):
    """Figures that are compared, in the order in which they are shown."""

    ASSIST_GAIN = "assist_gain"
    SIDE_DIFFERENCE = "side_difference"
    TORQUE_OFFSET = "torque_offset"
    PATH_RESISTANCE = "path_resistance"
    CHARGING_VOLTAGE = "charging_voltage"
    SUPPLY_UNDER_LOAD = "supply_under_load"
    HEATING = "heating"
    TIME_CONSTANT = "time_constant"
    DERATE_ONSET_TEMPERATURE = "derate_onset_temperature"
    DERATE_ONSET_VOLTAGE = "derate_onset_voltage"
    DERATED_SECONDS = "derated_seconds"
    SIGNAL_QUALITY = "signal_quality"


class Finding(StrEnum):
    """What is said of one figure."""

    DIFFERS = "differs"
    SAME = "same"
    CANNOT_TELL = "cannot_tell"


class Role(StrEnum):
    """Whether a figure stands for a part of the vehicle, or follows from others."""

    ROOT = "root"
    CONSEQUENCE = "consequence"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of both sides under the same conditions.

    Attributes
    ----------
    a, b : Estimate or None
        Each side's value; None where that side does not carry it.
    difference : Estimate or None
        B less A in the unit of both, or B over A less 1 (unit ``"share"``) where
        `relative`; ``count`` is the smaller number of independent stretches.
    margin : float
        Differences up to this count as the same; in the unit of `difference`.
    margin_from : str
        Which tolerances of the profile the margin comes from.
    effect : float or None
        How often a stretch of B reads higher than one of A (0.5: neither); None where
        the figure is one fit over a whole ride.
    chance, adjusted : float or None
        How likely a difference this far beyond the margin is by accident, before and
        after the allowance for testing several figures.
    explained_by : tuple of FigureName
        Root figures that differ and of which this one follows.
    conditions : str
        What was matched, in words.
    text : str
        One sentence; says why where it cannot be told.
    """

    name: FigureName
    words: str
    unit: str
    relative: bool
    a: Estimate | None
    b: Estimate | None
    difference: Estimate | None
    margin: float
    margin_from: str
    verdict: Finding
    role: Role
    effect: float | None = None
    chance: float | None = None
    adjusted: float | None = None
    explained_by: tuple[FigureName, ...] = ()
    conditions: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """Both sides over one shared axis of condition, or their distributions.

    Attributes
    ----------
    name : str
        Short and unique.
    message : str
        What it shows, as a sentence without a full stop.
    x_words, x_unit, y_words, y_unit : str
        Quantity and unit of each axis.
    a, b : Points
        One curve each, ascending in x.
    step : bool
        A distribution: y is the share of stretches at or below x.
    """

    name: str
    message: str
    x_words: str
    x_unit: str
    y_words: str
    y_unit: str
    a: Points
    b: Points
    step: bool = False


class VehicleRelation(StrEnum):
    """Whether both sides are one vehicle: only then can a fault be repaired."""

    ONE = "one_vehicle"
    TWO = "two_vehicles"
    NOT_TOLD = "not_told"


class RepairState(StrEnum):
    """Whether a fault of the first side is gone on the second."""

    REPAIRED = "repaired"
    NOT_REPAIRED = "not_repaired"
    NOT_SHOWN = "not_shown"
    NOT_THERE_BEFORE = "not_there_before"


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """One fault of side A, looked for on side B."""

    code: str
    state: RepairState
    text: str
    before: str
    after: str
    ridden: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareSide:
    """One side of a comparison: a vehicle on one ride or several.

    ``results`` is never empty; ``name`` is how the side is called on the page.
    """

    name: str
    results: tuple[Result, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What differs between two sides, by how much, and how sure that is.

    Attributes
    ----------
    headline : str
        What differs and by how much, in one sentence.
    explains : str
        Whether that explains what the customer complains of.
    same_recording : bool
        Both sides are the very same recording.
    relation, relation_text
        Whether both are one vehicle, and what says so.
    said_same : bool
        Whether the user said so.
    not_compared : tuple of str
        What could not be compared, and why.
    method : str
        How intervals and the allowance for several figures were worked out.
    """

    version: str
    a: CompareSide
    b: CompareSide
    figures: tuple[Figure, ...]
    headline: str
    explains: str
    repairs: tuple[Repair, ...]
    not_compared: tuple[str, ...]
    overlays: tuple[Overlay, ...]
    method: str
    family_level: float
    tests: int
    same_recording: bool = False
    relation: VehicleRelation = VehicleRelation.NOT_TOLD
    relation_text: str = ""
    said_same: bool = False
    case: Case | None = None
    notes: tuple[str, ...] = field(default=())

    def figure(self, name: FigureName) -> Figure:
        """Return one figure.

        Raises
        ------
        KeyError
            If it was not looked at.
        """
        for item in self.figures:
            if item.name is name:
                return item
        raise KeyError(name)
