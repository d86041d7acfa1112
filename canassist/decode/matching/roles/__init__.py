"""Which nameless signal plays which part: by unit and behaviour, where words say nothing."""

from canassist.decode.matching.roles.place_signals import place_signals

__all__ = ["place_signals"]
