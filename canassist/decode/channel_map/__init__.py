"""Which signal serves which channel, and why: by name and unit, then by its values in the log."""

from canassist.decode.channel_map.choice import choose
from canassist.decode.channel_map.static import rank_static

__all__ = ["choose", "rank_static"]
