"""Which signal serves which channel, and why: by name and unit, then by its values in the log."""

from canassist.decode.channel_map.choice import choose
from canassist.decode.channel_map.profile_text import profile_text
from canassist.decode.channel_map.static import rank_static

__all__ = ["choose", "profile_text", "rank_static"]
