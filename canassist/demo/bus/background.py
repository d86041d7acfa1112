"""Further messages on the bus that the database does not know."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from canassist.demo.plant.random_draws import RandomDraws
from canassist.model import ByteArray, FloatArray

_QUIET_FROM_S = 0.0063
"""After the vehicle's own messages, which start in the first 6 ms of every 10 ms."""
_STAGGER_S = 0.0007
_EVERY_ELEVENTH = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Background:
    """A message that nobody needs: its identifier, length, period and how lively it is.

    ``alive`` adds a counter in the first byte; ``moving`` bytes change slowly, ``noisy``
    ones in every frame; the rest is constant.
    """

    can_id: int
    length: int
    period_s: float
    extended: bool = False
    alive: bool = False
    moving: int = 0
    noisy: int = 0


QUIET: Final = (
    Background(can_id=0x310, length=8, period_s=0.5),
    Background(can_id=0x3F0, length=6, period_s=1.0),
    Background(can_id=0x455, length=8, period_s=1.0, alive=True),
    Background(can_id=0x4C2, length=4, period_s=2.0),
    Background(can_id=0x18FF4A17, length=8, period_s=1.0, extended=True),
)
"""A light bus: slow messages, mostly constant."""


def _busy() -> tuple[Background, ...]:
    groups = ((0.01, 8), (0.02, 10), (0.05, 6), (0.1, 5), (0.2, 3), (1.0, 2))
    found: list[Background] = []
    for period_s, count in groups:
        for number in range(count):
            place = len(found)
            extended = place % 11 == _EVERY_ELEVENTH
            found.append(
                Background(
                    can_id=0x18FF0021 + 0x100 * place if extended else 0x0A3 + 0x17 * place,
                    length=(8, 8, 6, 8, 7, 8)[place % 6],
                    period_s=period_s,
                    extended=extended,
                    alive=number % 2 == 0,
                    moving=place % 3,
                    noisy=place % 2,
                )
            )
    return tuple(found)


BUSY: Final = _busy()
"""Thirty-four further messages; with the vehicle's own ones about 35 % of 500 kbit/s."""


def background_frames(
    message: Background, place: int, seconds: float, seed: int
) -> tuple[FloatArray, ByteArray]:
    """Return times and payloads of one background message, shapes (n,) and (n, 8)."""
    draws = RandomDraws(seed, f"background {message.can_id:X}")
    offset = _QUIET_FROM_S + place * _STAGGER_S
    times = np.arange(offset, seconds - 0.01, message.period_s)
    times = np.asarray(np.round(times + 0.0002 * draws.units(len(times)), 6), dtype=np.float64)
    payload = np.zeros((len(times), 8), dtype=np.uint8)
    payload[:, : message.length] = np.frombuffer(draws.bytes(message.length), dtype=np.uint8)
    if message.alive:
        payload[:, 0] = np.arange(len(times)) % 16
    for column in range(1, 1 + message.moving):
        steps = (draws.units(len(times)) > 0.98).cumsum()  # noqa: PLR2004 - one step in 50 frames
        payload[:, column] = (payload[0, column] + steps) % 256
    for column in range(message.length - message.noisy, message.length):
        payload[:, column] = np.frombuffer(draws.bytes(len(times)), dtype=np.uint8)
    return times, payload
