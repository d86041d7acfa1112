"""Which of the known vehicles a log belongs to."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist import decode, frames, pipeline
from canassist.errors import CanassistError
from canassist.model import IdSet
from canassist.profile import default_profile, read_profile

if TYPE_CHECKING:
    from collections.abc import Sequence

FRAMES_SEEN: Final = 300_000
"""Frames whose identifiers are compared: some minutes of a busy bus."""

LEAST_SHARE: Final = 0.5
"""Share of a database's messages that must be on the bus to call it this vehicle's. Own choice:
a unit that is not fitted leaves some out, and half of another vehicle's are not met by chance."""

_TRIED: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownVehicle:
    """A vehicle as the worker gets it: files under their own names."""

    id: str
    databases: tuple[Path, ...]
    profile: Path | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How well a vehicle fits a log."""

    vehicle: KnownVehicle
    ids: int
    ids_known: int
    share: float
    channels: int = 0

    @property
    def order(self) -> tuple[int, int]:
        """What the better fit has more of: identifiers known, then channels found."""
        return self.ids_known, self.channels


def best_fit(logs: Sequence[Path], vehicles: Sequence[KnownVehicle]) -> Fit | None:
    """Return the vehicle that fits a log best, or None where none fits.

    Parameters
    ----------
    logs : sequence of path
        One ride.
    vehicles : sequence of KnownVehicle
        Of two that fit alike the earlier one is returned.

    Raises
    ------
    CanassistError
        If the log cannot be read.
    """
    able = [one for one in vehicles if one.databases]
    if not able:
        return None
    keys = _keys_seen(logs)
    fits = [fit for one in able if (fit := _fit(keys, one)) and fit.share >= LEAST_SHARE]
    fits.sort(key=lambda fit: -fit.ids_known)
    top = [fit for fit in fits if fit.ids_known == fits[0].ids_known][:_TRIED]
    if len(top) > 1:
        top = [_with_channels(fit, logs) for fit in top]
    return max(top, key=lambda fit: fit.order, default=None)


def _keys_seen(logs: Sequence[Path]) -> frozenset[int]:
    seen: set[int] = set()
    frames_seen = 0
    recording = frames.open_log(logs)
    for block in recording.blocks(request=frames.ReadRequest(wanted=IdSet())):
        seen.update(int(key) for key in np.unique(block.key))
        frames_seen += len(block)
        if frames_seen > FRAMES_SEEN:
            break
    return frozenset(seen)


def _fit(keys: frozenset[int], vehicle: KnownVehicle) -> Fit | None:
    try:
        databases = decode.load_databases(vehicle.databases)
    except CanassistError:
        return None  # a damaged database fits nothing; it is told when it is chosen
    hits = {key: databases.message_for(key, "") for key in keys}
    messages = {message.name for message in hits.values() if message is not None}
    all_names = {message.name for message in databases.messages}
    return Fit(
        vehicle=vehicle,
        ids=len(keys),
        ids_known=sum(message is not None for message in hits.values()),
        share=len(messages) / len(all_names) if all_names else 0.0,
    )


def _with_channels(fit: Fit, logs: Sequence[Path]) -> Fit:
    vehicle = fit.vehicle
    try:
        profile = read_profile(vehicle.profile) if vehicle.profile else default_profile()
        ride = pipeline.survey(logs, vehicle.databases, profile)
    except CanassistError:
        return fit
    return Fit(
        vehicle=vehicle,
        ids=fit.ids,
        ids_known=fit.ids_known,
        share=fit.share,
        channels=len(ride.decoded.channels),
    )
