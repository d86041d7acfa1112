"""The ride recipe as rows: what a ride needs, what it has, how to ride the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from canassist.record.state import RecipeRow, RowState

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canassist.model import Profile
    from canassist.record.live.ridden import RiddenSoFar

STANDING_S: Final = 10.0
TURN_S: Final = 20.0
CRUISE_S: Final = 20.0
HOT_S: Final = 10.0
MODE_S: Final = 10.0
TAIL_S: Final = 5.0
CRANKS: Final = 1.0
"""What a ride needs of each, s: the report's own rules where it has them, else rules of thumb."""
SETTLED_S: Final = 5.0
"""A channel that has not come after this much of the log is called absent."""


class _Part(NamedTuple):
    """One row's fixed words."""

    name: str
    needed: float
    unit: str
    how: str
    channels: str


def recipe_rows(ridden: RiddenSoFar, profile: Profile, *, log_s: float) -> tuple[RecipeRow, ...]:
    """Return the recipe's rows in the order in which they are best ridden."""
    settled = log_s >= SETTLED_S
    limits = profile.limits
    rows = [
        _row(_CRANK, None if ridden.cranks is None else float(ridden.cranks), settled),
        _row(_STANDING, ridden.standing_s, settled),
        _row(_turn("left", limits.slow_kph), ridden.slow_left_s, settled),
        _row(_turn("right", limits.slow_kph), ridden.slow_right_s, settled),
        _row(_cruise(limits.cruise_kph), ridden.coverage.cruise_s, settled),
        *_modes(ridden, profile, settled=settled),
        _row(_hot(limits.hot_c), ridden.coverage.hot_s, settled),
        _row(_TAIL, ridden.tail_s, settled),
    ]
    return tuple(rows)


_CRANK: Final = _Part("engine start", CRANKS, "", "start the engine while recording",
                      "engine speed")  # fmt: skip
_STANDING: Final = _Part("standing", STANDING_S, "s", "stand, engine running, hands off",
                         "road speed")  # fmt: skip
_TAIL: Final = _Part("engine off, key off", TAIL_S, "s",
                     "stop the engine, key off, and record on", "engine speed")  # fmt: skip


def _turn(side: str, slow_kph: float) -> _Part:
    how = f"turn {side} below {slow_kph:g} km/h, steering under load"
    return _Part(
        f"slow turns {side}", TURN_S, "s", how, "road speed, or driver torque with its sign"
    )


def _cruise(cruise_kph: float) -> _Part:
    return _Part("cruise", CRUISE_S, "s", f"ride above {cruise_kph:g} km/h", "road speed")


def _hot(hot_c: float) -> _Part:
    how = f"slow turns until the module is above {hot_c:g} °C"
    return _Part("hot module", HOT_S, "s", how, "module temperature")


def _modes(ridden: RiddenSoFar, profile: Profile, *, settled: bool) -> Iterator[RecipeRow]:
    """Yield a row for each mode that the profile knows, or else that was seen."""
    seen = ridden.coverage.modes_s
    maps = profile.assist_map.gains if profile.assist_map is not None else {}
    known = [name for name in maps if name != "*"]
    for name in dict.fromkeys([*known, *seen]):
        part = _Part(f"mode {name}", MODE_S, "s", f"ride in mode {name}", "assist mode")
        ridden_s = seen.get(name, 0.0) if seen or not settled else None
        yield _row(part, ridden_s, settled)


def _row(part: _Part, ridden: float | None, settled: bool) -> RecipeRow:
    if ridden is None and settled:
        state, how = RowState.IMPOSSIBLE, f"not in this log: {part.channels}"
    elif ridden is not None and ridden >= part.needed:
        state, how = RowState.DONE, part.how
    else:
        state, how = RowState.MISSING, part.how
    return RecipeRow(
        name=part.name,
        state=state,
        ridden=ridden or 0.0,
        needed=part.needed,
        unit=part.unit,
        how=how,
    )
