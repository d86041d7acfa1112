"""Frames and databases in, channels out."""

from canassist.decode.database import load_databases, split_bus
from canassist.decode.layouts import Databases, MessageLayout, SignalLayout

__all__ = ["Databases", "MessageLayout", "SignalLayout", "load_databases", "split_bus"]
