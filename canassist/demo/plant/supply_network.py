"""The 12 V supply: battery, alternator, starter and the path to the steering module."""

from __future__ import annotations

import math
from typing import NamedTuple

from canassist.demo.plant.vehicle import Battery


class Node(NamedTuple):
    """What meets at the distribution board at one moment.

    The battery is a voltage behind its fast inner resistance; ``starter_s`` is the
    starter's conductance in siemens, 0 where it does not turn; ``alternator_a`` is what
    the alternator can deliver at the most and ``set_v`` the voltage that it holds.
    """

    emf_v: float
    inner_ohm: float
    load_a: float
    starter_s: float
    alternator_a: float
    set_v: float


def board_voltage(node: Node) -> float:
    """Return the board voltage, by Kirchhoff's current law.

    The alternator gives all it can until the node reaches ``set_v``.
    """
    alone = node.emf_v - node.inner_ohm * node.load_a
    free = (alone + node.inner_ohm * node.alternator_a) / (1.0 + node.inner_ohm * node.starter_s)
    return min(free, max(node.set_v, alone)) if node.alternator_a > 0 else free


def module_voltage(board_v: float, path_ohm: float, power_w: float) -> float:
    """Return the voltage at a load of constant power behind a resistance.

    The upper root of ``v (board - v) = path * power``; where the path cannot carry that
    power, half the board voltage (the most that it can carry).
    """
    root = board_v * board_v - 4.0 * path_ohm * power_w
    return 0.5 * (board_v + math.sqrt(root)) if root > 0.0 else 0.5 * board_v


class BatteryState:
    """Charge and slow voltage of a battery as the ride goes on."""

    __slots__ = ("_battery", "charge", "slow_v")

    def __init__(self, battery: Battery) -> None:
        self._battery = battery
        self.charge = battery.charge
        self.slow_v = 0.0

    def emf_v(self) -> float:
        """Return the voltage behind the fast inner resistance."""
        return self._battery.rest_v(self.charge) - self.slow_v

    def take(self, current_a: float, step_s: float) -> None:
        """Discharge (positive) or charge (negative) for one step."""
        battery = self._battery
        self.charge -= current_a * step_s / (3600.0 * battery.capacity_ah)
        slow_ohm = battery.slow_ohm if current_a > 0 else battery.slow_charging_ohm
        self.slow_v += (current_a * slow_ohm - self.slow_v) * step_s / battery.slow_tau_s
