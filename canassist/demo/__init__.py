"""An invented vehicle and its rides, simulated: samples, truth, and in-memory timelines."""

from canassist.demo.files import WrittenRide, write_demo
from canassist.demo.observe import TrueEvent
from canassist.demo.profile_text import demo_profile, profile_text
from canassist.demo.rides import RIDES, SECOND_VEHICLE, VEHICLE
from canassist.demo.scenario import Recording, Scenario
from canassist.demo.simulated import SimulatedRide, simulate
from canassist.demo.trail import TRAIL
from canassist.demo.truth import Truth

__all__ = [
    "RIDES",
    "SECOND_VEHICLE",
    "TRAIL",
    "VEHICLE",
    "Recording",
    "Scenario",
    "SimulatedRide",
    "TrueEvent",
    "Truth",
    "WrittenRide",
    "demo_profile",
    "profile_text",
    "simulate",
    "write_demo",
]
