"""Which signal serves which channel, and why: by name and unit, then by its values in the log."""

from canassist.decode.matching.choice import choose
from canassist.decode.matching.database_ranking import rank_static
from canassist.decode.matching.profile_start import profile_text
from canassist.decode.matching.roles import place_signals
from canassist.decode.matching.unnamed_signals import unnamed_candidates
from canassist.decode.matching.unused_signals import unused_signals

__all__ = [
    "choose",
    "place_signals",
    "profile_text",
    "rank_static",
    "unnamed_candidates",
    "unused_signals",
]
