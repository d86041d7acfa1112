"""Frames and databases in, channels out."""

from canassist.decode.channel_map import rank_static
from canassist.decode.collect import FrameCollector
from canassist.decode.database import load_databases, split_bus
from canassist.decode.layouts import Databases, MessageLayout, SignalLayout
from canassist.decode.plan import ReadingPlan, plan_reading
from canassist.decode.ride import DecodedRide, decode_ride

__all__ = [
    "Databases",
    "DecodedRide",
    "FrameCollector",
    "MessageLayout",
    "ReadingPlan",
    "SignalLayout",
    "decode_ride",
    "load_databases",
    "plan_reading",
    "rank_static",
    "split_bus",
]
