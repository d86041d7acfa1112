"""An invented vehicle and its rides, simulated: samples, truth, and in-memory timelines."""

from canassist.demo.bus.trail import TRAIL
from canassist.demo.files import (
    DATABASE_FOLDER,
    LEARNED_PROFILE,
    LOGS_FOLDER,
    SOUND_FOLDER,
    WrittenRide,
    write_demo,
    write_sound_rides,
)
from canassist.demo.plant.scenario import RecordingStyle, Scenario
from canassist.demo.profile_text import demo_profile, profile_text
from canassist.demo.rides import RIDES, SECOND_VEHICLE, VEHICLE
from canassist.demo.simulated import SimulatedRide, simulate
from canassist.demo.sound_rides import SOUND_RIDES
from canassist.demo.truth.observe import TrueEvent
from canassist.demo.truth.truth import Truth

__all__ = [
    "DATABASE_FOLDER",
    "LEARNED_PROFILE",
    "LOGS_FOLDER",
    "RIDES",
    "SECOND_VEHICLE",
    "SOUND_FOLDER",
    "SOUND_RIDES",
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
    "write_sound_rides",
]
