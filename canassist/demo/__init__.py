"""An invented vehicle and its rides, simulated: samples, truth, and in-memory timelines."""

from canassist.demo.observe import TrueEvent
from canassist.demo.rides import RIDES
from canassist.demo.scenario import Recording, Scenario
from canassist.demo.simulated import SimulatedRide, simulate
from canassist.demo.truth import Truth

__all__ = ["RIDES", "Recording", "Scenario", "SimulatedRide", "TrueEvent", "Truth", "simulate"]
