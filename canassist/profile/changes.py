"""Where a profile's limits differ from the default ones."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import TYPE_CHECKING

from canassist.model import LIMIT_NAMES, LimitChange
from canassist.profile.load import default_limits

if TYPE_CHECKING:
    from canassist.model import Profile


def limits_changed(profile: Profile) -> tuple[LimitChange, ...]:
    """Return each limit to which the profile gives another value than the default."""
    default, mine = asdict(default_limits()), asdict(profile.limits)
    return tuple(
        LimitChange(limit=f"limits.{name}", default=default[name], profile=mine[name])
        for name in LIMIT_NAMES
        if mine[name] != default[name]
    )


def with_default_limits(profile: Profile) -> Profile:
    """Return the profile with the default limits, as if it gave none."""
    given = frozenset(name for name in profile.given if not name.startswith("limits."))
    straight = replace(profile.protection, temperature=(), supply=())
    return replace(profile, limits=default_limits(), given=given, protection=straight)
