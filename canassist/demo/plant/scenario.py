"""What is simulated: a vehicle, a ride, planted faults, and how it is recorded."""

from __future__ import annotations

from dataclasses import dataclass, field

from canassist.demo.bus.message_layout import MessageLayouts
from canassist.demo.bus.trail import TRAIL
from canassist.demo.plant.faults import Fault
from canassist.demo.plant.riding import Stretch
from canassist.demo.plant.vehicle import VehicleModel
from canassist.model import Code


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingStyle:
    """How the bus was recorded.

    Attributes
    ----------
    noise : float
        Factor on every sensor's noise.
    rate : float
        Factor on every message's rate.
    lost_share : float
        Share of frames that the recorder dropped, by chance.
    jitter_s : float
        Time stamps are off by up to this, either way.
    """

    noise: float = 1.0
    rate: float = 1.0
    lost_share: float = 0.0
    jitter_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A ride with everything that decides how it goes.

    Attributes
    ----------
    conclusion : Code
        Why the steering was heavy, by what is planted.
    also : tuple of Code
        Conclusions that are as right as the first, because what is planted has two
        sides or the ride does not tell them apart.
    leaves_out : frozenset of str
        Channels that the bus does not carry.
    """

    name: str
    title: str
    stretches: tuple[Stretch, ...]
    conclusion: Code
    vehicle: VehicleModel = field(default_factory=VehicleModel)
    faults: tuple[Fault, ...] = ()
    layout: MessageLayouts = TRAIL
    recording: RecordingStyle = field(default_factory=RecordingStyle)
    also: tuple[Code, ...] = ()
    leaves_out: frozenset[str] = frozenset()
    seed: int = 1

    @property
    def seconds(self) -> float:
        """How long the ride lasts."""
        return sum(part.seconds for part in self.stretches)
