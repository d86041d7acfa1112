"""The vehicle profile: what is known of a vehicle, and the limits with their sources."""

from canassist.profile.changes import limits_changed, with_default_limits
from canassist.profile.load import (
    CHECKSUM_METHODS,
    default_limits,
    default_profile,
    limit_facts,
    parse_profile,
    read_profile,
)
from canassist.profile.write import profile_toml

__all__ = [
    "CHECKSUM_METHODS",
    "default_limits",
    "default_profile",
    "limit_facts",
    "limits_changed",
    "parse_profile",
    "profile_toml",
    "read_profile",
    "with_default_limits",
]
