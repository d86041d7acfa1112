"""Reduced assist: what triggered it at its onset, and which law describes its course."""

from canassist.detect.derate.find_derates import find_derates

__all__ = ["find_derates"]
