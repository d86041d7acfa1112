"""Conclusions, events and figures in plain sentences."""
