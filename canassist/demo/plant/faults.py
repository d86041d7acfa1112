"""Faults that a scenario plants; each holds from one second of the ride to another."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class Silence(StrEnum):
    """How a signal is lost."""

    STOPS = "stops"
    """Its message is no longer sent."""
    NO_VALUE = "no_value"
    """Its message carries the "no value" code."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Something that is wrong from ``from_s`` until ``until_s``."""

    from_s: float = 0.0
    until_s: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraPathResistance(Fault):
    """A bad joint in the module's supply or ground path."""

    ohm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AlternatorShare(Fault):
    """The alternator delivers only this share of its current."""

    share: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RegulatorVoltage(Fault):
    """The regulator holds another voltage."""

    set_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherLoad(Fault):
    """Something else draws current."""

    current_a: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyBreak(Fault):
    """The module's supply is open; a long break restarts the module."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModuleRestart(Fault):
    """The module is silent and gives no assist, with its supply intact."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LostSignal(Fault):
    """A channel is lost."""

    channel: str
    how: Silence = Silence.STOPS


@dataclass(frozen=True, slots=True, kw_only=True)
class StuckSignal(Fault):
    """A channel repeats the value that it had."""

    channel: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JumpingSignal(Fault):
    """A channel reads off by ``size`` for a moment."""

    channel: str
    size: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FalseSpeed(Fault):
    """Road speed reads ``factor`` times what it is, plus ``add_kph``."""

    factor: float = 1.0
    add_kph: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TorqueOffset(Fault):
    """The torque sensor rests beside zero, drifting with module temperature from 25 degC."""

    offset_nm: float
    drift_nm_per_k: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AssistFactor(Fault):
    """Assist is this factor of what it should be, to the left and to the right."""

    left: float = 1.0
    right: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedGainSpeed(Fault):
    """The module takes its gain at this road speed, whatever the speed is."""

    speed_kph: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UncommandedAssist(Fault):
    """The module adds assist torque that nobody asked for."""

    torque_nm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnexplainedDerate(Fault):
    """The module reduces assist with good supply, temperature and inputs."""

    limit_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorFrames(Fault):
    """Error frames on the bus, ``each_s`` apart."""

    each_s: float = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class RecorderGap(Fault):
    """The recorder itself stops."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SilentBus(Fault):
    """The bus that does not carry the steering module is silent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredCode(Fault):
    """A trouble code that a tester reads over and over in this time."""

    code: str
    text: str
    raw: tuple[int, int]
    each_s: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HeavyGoing(Fault):
    """The steering binds or the tyres are soft: more torque for the same turn."""

    factor: float
