"""A ride as a list of stretches: what the rider does, for how long, how hard."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Manoeuvre(StrEnum):
    """What the rider does in a stretch."""

    KEY_ON = "key_on"
    """Key on, engine stopped, hands off."""
    START = "start"
    """The starter turns, the engine runs up, hands off."""
    REST = "rest"
    """Standing with the engine running, hands off."""
    SWEEP = "sweep"
    """Lock to lock on the spot or creeping."""
    CIRCLE = "circle"
    """Slow tight turns, held near the lock, to either side in turn."""
    TRAIL = "trail"
    """Winding trail."""
    CRUISE = "cruise"
    """Nearly straight."""
    ROUGH = "rough"
    """Stones and roots: the ground kicks back."""
    PLOW = "plow"
    """Pushing with the blade down, backwards and forwards."""
    WINCH = "winch"
    """Standing with the winch pulling in bursts, hands off."""
    STRAIGHT = "straight"
    """Rolling straight with the hands resting."""
    OFF = "off"
    """Engine stopped, key on, hands off."""


ENGINE_OFF = frozenset({Manoeuvre.KEY_ON, Manoeuvre.OFF})
HANDS_OFF = frozenset(
    {
        Manoeuvre.KEY_ON,
        Manoeuvre.START,
        Manoeuvre.REST,
        Manoeuvre.WINCH,
        Manoeuvre.OFF,
        Manoeuvre.STRAIGHT,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """One part of a ride.

    Attributes
    ----------
    manoeuvre : Manoeuvre
        What the rider does.
    seconds : float
        For how long.
    speed_kph : float
        Road speed that is aimed for.
    effort : float
        Factor on the torque that the ground puts against steering (soft ground, load).
    swing : float
        Factor on how far the handlebar is turned.
    mode : str
        The rider's selection from here on; empty keeps the one before.
    extra_load_a : float
        Further current drawn from the supply (lights, plow, winch at its bursts).
    crank_s : float
        For a start: how long the starter turns.
    idle_rpm : float
        Engine speed while standing; 0 takes the vehicle's own.
    """

    manoeuvre: Manoeuvre
    seconds: float
    speed_kph: float = 0.0
    effort: float = 1.0
    swing: float = 1.0
    mode: str = ""
    extra_load_a: float = 0.0
    crank_s: float = 0.9
    idle_rpm: float = 0.0
