"""Torque offset: driver torque does not rest at zero."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canassist.model import Event, EventKind

if TYPE_CHECKING:
    from canassist.model import Physics, Profile


def find_torque_offset(physics: Physics, profile: Profile) -> list[Event]:
    """Report a rest torque whose 90 % interval lies beyond ``torque_offset_nm``.

    Returns
    -------
    list of Event
        At most one, from the first to the last sample at rest; ``measured`` holds
        ``offset_nm`` with its interval.
    """
    rest = physics.torque_rest
    if rest is None:
        return []
    limit_nm, offset = profile.limits.torque_offset_nm, rest.offset_nm
    if offset.low <= limit_nm and offset.high >= -limit_nm:
        return []
    return [
        Event(
            kind=EventKind.TORQUE_OFFSET,
            start_s=float(rest.time_s[0]),
            end_s=float(rest.time_s[-1]),
            channel="driver_torque",
            measured={
                "offset_nm": offset.value,
                "offset_low_nm": offset.low,
                "offset_high_nm": offset.high,
                "rest_s": rest.seconds,
            },
            expected={"offset_nm": limit_nm if offset.value > 0.0 else -limit_nm},
        )
    ]
