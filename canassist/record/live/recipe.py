"""The ride recipe as rows: what a ride needs, what it has, how to ride the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from canassist import physics
from canassist.conclude import count_coverage
from canassist.record.state import RecipeRow, RowState
from canassist.timeline import with_known_units

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import Coverage, Profile, Timeline

MODE_NEEDED_S: Final = 10.0
"""Riding in each mode without which its assist cannot be compared, s (rule of thumb)."""
SETTLED_S: Final = 5.0
"""A channel that has not come after this much of the log is called absent."""


class _Part(NamedTuple):
    """One row: its name, its figure in the coverage, and its fixed words."""

    name: str
    figure: str
    unit: str
    how: str
    channels: str


def ridden_so_far(timeline: Timeline, profile: Profile) -> Coverage:
    """Count the coverage as a report on the log so far would."""
    estimates = physics.study(timeline, profile)
    return count_coverage(with_known_units(timeline), estimates, limits=profile.limits)


def recipe_rows(ridden: Coverage, profile: Profile, *, log_s: float) -> tuple[RecipeRow, ...]:
    """Return the recipe's rows in the order in which they are best ridden."""
    settled = log_s >= SETTLED_S
    limits = profile.limits
    before = (
        _CRANK,
        _STANDING,
        _turn("left", limits.slow_kph),
        _turn("right", limits.slow_kph),
        _cruise(limits.cruise_kph),
    )
    return (
        *(_of_coverage(part, ridden, settled=settled) for part in before),
        *_modes(ridden, profile, settled=settled),
        _of_coverage(_hot(limits.hot_c), ridden, settled=settled),
        _of_coverage(_TAIL, ridden, settled=settled),
    )


_CRANK: Final = _Part(
    "engine start", "cranks", "", "start the engine while recording", "engine speed"
)
_STANDING: Final = _Part(
    "standing", "standing_s", "s", "stand, engine running, hands off", "road speed"
)
_TAIL: Final = _Part(
    "engine off, key off",
    "tail_s",
    "s",
    "stop the engine, key off, and record on",
    "engine speed and road speed",
)


def _turn(side: str, slow_kph: float) -> _Part:
    how = f"turn {side} below {slow_kph:g} km/h, steering under load"
    channels = "road speed, or driver torque with its sign"
    return _Part(f"slow turns {side}", f"slow_{side}_s", "s", how, channels)


def _cruise(cruise_kph: float) -> _Part:
    return _Part("cruise", "cruise_s", "s", f"ride above {cruise_kph:g} km/h", "road speed")


def _hot(hot_c: float) -> _Part:
    how = f"slow turns until the module is above {hot_c:g} °C"
    return _Part("hot module", "hot_s", "s", how, "module temperature")


def _modes(ridden: Coverage, profile: Profile, *, settled: bool) -> Iterator[RecipeRow]:
    """Yield a row for each mode that the profile knows, or else that was seen."""
    seen = ridden.modes_s
    maps = profile.assist_map.gains if profile.assist_map is not None else {}
    known = [name for name in maps if name != "*"]
    for name in dict.fromkeys([*known, *seen]):
        part = _Part(f"mode {name}", "", "s", f"ride in mode {name}", "assist mode")
        ridden_s = seen.get(name, 0.0) if seen else None
        yield _row(part, ridden_s, MODE_NEEDED_S, settled=settled)


def _of_coverage(part: _Part, ridden: Coverage, *, settled: bool) -> RecipeRow:
    figure = getattr(ridden, part.figure)
    had = None if figure is None else float(figure)
    return _row(part, had, ridden.needed[part.figure], settled=settled)


def _row(part: _Part, ridden: float | None, needed: float, *, settled: bool) -> RecipeRow:
    if ridden is None and settled:
        state, how = RowState.IMPOSSIBLE, f"not in this log: {part.channels}"
    elif ridden is not None and ridden >= needed:
        state, how = RowState.DONE, part.how
    else:
        state, how = RowState.MISSING, part.how
    return RecipeRow(
        name=part.name,
        state=state,
        ridden=ridden or 0.0,
        needed=needed,
        unit=part.unit,
        how=how,
    )
