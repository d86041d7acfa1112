"""Planted faults as inputs of the simulation, 100 times a second."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from canassist.demo.plant import faults
from canassist.demo.plant.course import STEP_S, Course
from canassist.demo.plant.vehicle import VehicleModel
from canassist.model import BoolArray, FloatArray

_FALLBACK_KPH = 30.0
"""Road speed that the module assumes once it has none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """What the planted faults do, and what the module is told; arrays of shape (n,)."""

    path_ohm: FloatArray
    alternator_share: FloatArray
    set_v: FloatArray
    other_load_a: FloatArray
    supply_open: BoolArray
    module_off: BoolArray
    told_speed_kph: FloatArray
    """Road speed on the bus; NaN where it is lost."""
    gain_speed_kph: FloatArray
    """Road speed that the module takes its gain at."""
    sound_speed_kph: FloatArray
    """Road speed that a sound module would take its gain at."""
    speed_lost: BoolArray
    """Road or engine speed is lost for longer than the module bears with."""
    offset_nm: FloatArray
    drift_nm_per_k: FloatArray
    left_factor: FloatArray
    right_factor: FloatArray
    uncommanded_nm: FloatArray
    other_limit_pct: FloatArray
    load_factor: FloatArray


def within(time_s: FloatArray, fault: faults.Fault) -> BoolArray:
    """Tell where a fault holds, shape (n,)."""
    return (time_s >= fault.from_s) & (time_s < fault.until_s)


def plant(vehicle: VehicleModel, course: Course, planted: Sequence[faults.Fault]) -> Trouble:
    """Turn planted faults into inputs of the simulation."""
    time_s = course.time_s
    fill = _Filler(time_s, planted)
    told, lost = _told_speed(course, planted)
    gain_speed = np.where(np.isnan(told), _FALLBACK_KPH, told)
    return Trouble(
        path_ohm=vehicle.path_ohm + fill.total(faults.ExtraPathResistance, "ohm"),
        alternator_share=fill.last(faults.AlternatorShare, "share", 1.0),
        set_v=fill.last(faults.RegulatorVoltage, "set_v", vehicle.alternator.set_v),
        other_load_a=course.extra_load_a + fill.total(faults.OtherLoad, "current_a"),
        supply_open=fill.anywhere(faults.SupplyBreak),
        module_off=fill.anywhere(faults.ModuleRestart),
        told_speed_kph=told,
        sound_speed_kph=gain_speed,
        gain_speed_kph=fill.last(faults.FixedGainSpeed, "speed_kph", gain_speed),
        speed_lost=_borne(lost | fill.engine_lost(), vehicle.protection.lost_speed_after_s),
        offset_nm=fill.total(faults.TorqueOffset, "offset_nm"),
        drift_nm_per_k=fill.total(faults.TorqueOffset, "drift_nm_per_k"),
        left_factor=fill.last(faults.AssistFactor, "left", 1.0),
        right_factor=fill.last(faults.AssistFactor, "right", 1.0),
        uncommanded_nm=fill.total(faults.UncommandedAssist, "torque_nm"),
        other_limit_pct=fill.last(faults.UnexplainedDerate, "limit_pct", 100.0),
        load_factor=fill.last(faults.HeavyGoing, "factor", 1.0),
    )


def held(values: FloatArray, frozen: BoolArray) -> FloatArray:
    """Return `values` with each frozen run repeating the last value before it."""
    rows = np.where(frozen, 0, np.arange(len(values)))
    return np.asarray(values[np.maximum.accumulate(rows)], dtype=np.float64)


class _Filler:
    """Writes the figures of planted faults into columns."""

    def __init__(self, time_s: FloatArray, planted: Sequence[faults.Fault]) -> None:
        self._time_s, self._planted = time_s, planted

    def _of(self, kind: type[faults.Fault]) -> Iterable[faults.Fault]:
        return (fault for fault in self._planted if isinstance(fault, kind))

    def total(self, kind: type[faults.Fault], name: str) -> FloatArray:
        """Add up all faults of a kind."""
        values = np.zeros(len(self._time_s))
        for fault in self._of(kind):
            values[within(self._time_s, fault)] += getattr(fault, name)
        return values

    def last(self, kind: type[faults.Fault], name: str, base: float | FloatArray) -> FloatArray:
        """Let the last fault of a kind hold."""
        values = np.full(len(self._time_s), 0.0) + base
        for fault in self._of(kind):
            values[within(self._time_s, fault)] = getattr(fault, name)
        return values

    def anywhere(self, kind: type[faults.Fault]) -> BoolArray:
        """Tell where any fault of a kind holds."""
        found = np.zeros(len(self._time_s), dtype=np.bool_)
        for fault in self._of(kind):
            found |= within(self._time_s, fault)
        return found

    def engine_lost(self) -> BoolArray:
        """Tell where engine speed is lost, which the module minds as much as road speed."""
        found = np.zeros(len(self._time_s), dtype=np.bool_)
        for fault in self._planted:
            if isinstance(fault, faults.LostSignal) and fault.channel == "engine_speed":
                found |= within(self._time_s, fault)
        return found


def _told_speed(course: Course, planted: Sequence[faults.Fault]) -> tuple[FloatArray, BoolArray]:
    told = course.speed_kph.copy()
    lost = np.zeros(len(told), dtype=np.bool_)
    for fault in planted:
        rows = within(course.time_s, fault)
        match fault:
            case faults.FalseSpeed(factor=factor, add_kph=add):
                told[rows] = told[rows] * factor + add
            case faults.StuckSignal(channel="vehicle_speed"):
                told = held(told, rows)
            case faults.JumpingSignal(channel="vehicle_speed", size=size):
                told[rows] = np.maximum(told[rows] + size, 0.0)
            case faults.LostSignal(channel="vehicle_speed"):
                lost |= rows
            case faults.SilentBus():
                lost |= rows
            case _:
                pass
    told[lost] = np.nan
    return told, lost


def _borne(lost: BoolArray, seconds: float) -> BoolArray:
    """Drop the first `seconds` of each lost run."""
    since = np.arange(len(lost))
    start = np.maximum.accumulate(np.where(lost, 0, since + 1))
    return lost & (since - start >= round(seconds / STEP_S))
