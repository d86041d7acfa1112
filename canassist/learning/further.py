"""Further figures of the module: told in ``[learned]`` alone, where no limit has their name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.learning.curves import by_band
from canassist.learning.fleet import middle, points_of
from canassist.model import CHANNEL_UNITS, LawPoint, LearnedFigure, LearnedLaw

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canassist.model import RideFigures

_NORMS: Final = (
    ("effort", "Driver effort at full assist", "N·m", "km/h", "slow turns and cruising"),
    ("charging", "Supply by engine speed", "V", "rpm", "10 s in a band of engine speed"),
    ("cranking", "Cranking level by ambient", "V", "degC", "a start recorded from key-on"),
)
_NAMED: Final = (
    ("messages.", "Period of message {}", "s"),
    ("noise.", "Noise of {}", ""),
    ("resolution.", "Step of {}", ""),
    ("status.", "Assist left with status {}", "%"),
)


def further_laws(rides: Sequence[RideFigures]) -> Iterator[LearnedLaw]:
    """Return norms by speed and temperature, then messages, noise and status words."""
    for name, words, unit, x_unit, missing in _NORMS:
        yield _norm(rides, name, words, unit, x_unit, missing)
    names = sorted({name for ride in rides for name in ride.figures})
    for start, words, unit in _NAMED:
        for name in names:
            if name.startswith(start):
                short = name.removeprefix(start).removesuffix(".period_s")
                own = unit or CHANNEL_UNITS.get(short, "")
                yield LearnedLaw(
                    name=name,
                    words=words.format(short.replace("_", " ")),
                    unit=own,
                    figure=middle(rides, name, own),
                    use="what is usual",
                    x_words="ride",
                    points=points_of(rides, name),
                )


def _norm(  # noqa: PLR0913, PLR0917 - a line of the sheet has these columns
    rides: Sequence[RideFigures], name: str, words: str, unit: str, x_unit: str, missing: str
) -> LearnedLaw:
    table = by_band(rides, name)
    points = tuple(
        LawPoint(vehicle, x, level)
        for x, levels in sorted(table.items())
        for vehicle, (level, _) in sorted(levels.items())
    )
    figure = None
    if points:
        have = [ride for ride in rides if name in ride.levels]
        curve = tuple(
            (x, float(f"{np.median([level for level, _ in levels.values()]):.4g}"))
            for x, levels in sorted(table.items())
        )
        figure = LearnedFigure(
            value=curve,
            low=float(f"{min(p.y for p in points):.4g}"),
            high=float(f"{max(p.y for p in points):.4g}"),
            unit=unit,
            by=x_unit,
            rides=len(have),
            vehicles=len({ride.vehicle for ride in have}),
            seconds=round(sum(s for levels in table.values() for _, s in levels.values()), 1),
        )
    return LearnedLaw(
        name=name,
        words=words,
        unit=unit,
        figure=figure,
        use="what is usual",
        missing="" if figure else missing,
        x_words=x_unit,
        points=points,
    )
