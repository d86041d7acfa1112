"""An invented vehicle and its rides, simulated: samples, truth, and in-memory timelines."""

from canassist.demo.bus.trail import TRAIL
from canassist.demo.files import WrittenRide, write_demo
from canassist.demo.plant.scenario import RecordingStyle, Scenario
from canassist.demo.profile_text import demo_profile, profile_text
from canassist.demo.rides import RIDES, SECOND_VEHICLE, VEHICLE
from canassist.demo.simulated import SimulatedRide, simulate
from canassist.demo.truth.observe import TrueEvent
from canassist.demo.truth.truth import Truth

__all__ = [
    "RIDES",
    "SECOND_VEHICLE",
    "TRAIL",
    "VEHICLE",
    "RecordingStyle",
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
