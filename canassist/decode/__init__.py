"""Frames and databases in, channels out."""

from canassist.decode.candidates import ANSWERS_REST_ON, ChannelChoice, Ranked
from canassist.decode.collect import FrameCollector
from canassist.decode.database.layouts import Databases, MessageLayout, SignalLayout
from canassist.decode.database.load_database import load_databases, split_bus
from canassist.decode.decode_ride import DecodedRide, decode_ride
from canassist.decode.matching import profile_text, rank_static
from canassist.decode.plan import ReadingPlan, plan_reading

__all__ = [
    "ANSWERS_REST_ON",
    "ChannelChoice",
    "Databases",
    "DecodedRide",
    "FrameCollector",
    "MessageLayout",
    "Ranked",
    "ReadingPlan",
    "SignalLayout",
    "decode_ride",
    "load_databases",
    "plan_reading",
    "profile_text",
    "rank_static",
    "split_bus",
]
