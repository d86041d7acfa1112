"""Signs of what steers, held together: the one that runs against the others is doubted.

Figures are common practice, no source: what breaks one is asked about.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import numpy as np

from canassist.decode.belief.bounds import BOUNDS
from canassist.decode.belief.suspicion import Likely, Suspects, Suspicion, side_by_side, spoken
from canassist.decode.matching.value_shape import common_grid, correlation, on_grid

if TYPE_CHECKING:
    from canassist.model import Channel, FloatArray

SIGNED: Final = ("driver_torque", "assist_torque", "motor_current", "steering_angle")
"""All right positive: each runs with the others."""

_AGREES: Final = 0.5
_ANGLE_AGREES: Final = 0.3
"""Torque leads the angle and holds it: a weaker bond than that of assist to the driver."""
_LEAST_POINTS: Final = 50
_NO_EFFORT_NM: Final = 0.5
"""A torque that stays below this turns no bar and asks for no assist."""
_LARGER: Final = (
    Likely("newton metres times a hundred", 100.0),
    Likely("newton metres times ten", 10.0),
    Likely("newton metres times a thousand", 1000.0),
)
_ROLLING_KPH: Final = 5.0
_PER_DEGREE: Final = (1.2e-4, 1.8e-2)
"""How much faster, as a share of the speed, the left front wheel runs for each degree to the
right: from a car with a slow steering (1/16, track over wheelbase 0.5) at its slip-free least
to a handlebar that turns the wheels one to one."""
_RADIAN: Final = 180.0 / np.pi


def judge_signs(suspects: Suspects) -> None:
    """Doubt the sign that runs against the others; confirm all that wheels agree with."""
    signed = {
        name: one for name in SIGNED if (one := suspects.get(name)) is not None and one.usable
    }
    wheels = _judge_angle(suspects)
    bonds = {
        (first, second): bond
        for first, second in itertools.combinations(signed, 2)
        if (bond := _bond(signed[first], signed[second])) != 0
    }
    odd = _odd_ones(signed, bonds, wheels)
    for name in odd:
        one = signed[name]
        if not one.told and one.channel.sign_known:
            against = [other for other in signed if other != name and _linked(bonds, name, other)]
            one.turned = "runs against the " + " and the ".join(spoken(other) for other in against)
    if wheels:
        for name, one in signed.items():
            if name not in odd and (name == "steering_angle" or _reaches(bonds, name)):
                one.checked.add("sign")


def judge_torques(suspects: Suspects) -> None:
    """Hold out a torque that follows the other one, at a size that moves no steering."""
    driver, assist = suspects.get("driver_torque"), suspects.get("assist_torque")
    if driver is None or assist is None or not driver.usable or not assist.usable:
        return
    _, driver_nm, assist_nm = side_by_side(driver.channel, assist.channel)
    sizes = np.abs(driver_nm), np.abs(assist_nm)
    if len(driver_nm) < _LEAST_POINTS or not all(np.ptp(size) > 0.0 for size in sizes):
        return
    if correlation(*sizes) < _AGREES:
        return
    for one, other in ((driver, assist), (assist, driver)):
        if not one.told and 0.0 < one.shape.reach < _NO_EFFORT_NM <= other.shape.reach:
            low, high = BOUNDS[one.channel.name].usual
            fits = (mend for mend in _LARGER if low <= one.shape.reach * mend.scale <= high)
            one.hold(
                f"never reads more than {one.shape.reach:.2g} N·m while the "
                f"{spoken(other.channel.name)} goes with it",
                next(fits, None),
            )


def _linked(bonds: Mapping[tuple[str, str], int], first: str, second: str) -> bool:
    return (first, second) in bonds or (second, first) in bonds


def _reaches(bonds: Mapping[tuple[str, str], int], name: str) -> bool:
    """Tell whether a channel is tied to the steering angle, over others if need be."""
    seen, edge = {"steering_angle"}, {"steering_angle"}
    while edge:
        edge = {
            other
            for pair in bonds
            for one, other in (pair, pair[::-1])
            if one in edge and other not in seen
        }
        seen |= edge
    return name in seen


def _bond(first: Suspicion, second: Suspicion) -> int:
    """Return 1 where two run together, -1 where against each other, 0 where neither shows."""
    grid, a, b = side_by_side(first.channel, second.channel)
    if len(a) < _LEAST_POINTS or not (np.ptp(a) > 0.0 and np.ptp(b) > 0.0):
        return 0
    if "steering_angle" in {first.channel.name, second.channel.name}:
        torque, angle = (b, a) if first.channel.name == "steering_angle" else (a, b)
        return _with_angle(grid, torque, angle)
    like = correlation(a, b)
    return int(np.sign(like)) if abs(like) >= _AGREES else 0


def _with_angle(grid: FloatArray, torque: FloatArray, angle: FloatArray) -> int:
    """Torque turns the wheels and then holds them: it runs with the angle or with its rate."""
    likes = [correlation(torque, angle)]
    step = np.diff(grid)
    if len(step) and np.all(step > 0.0):
        likes.append(correlation(torque[1:], np.diff(angle) / step))
    strong = [like for like in likes if abs(like) >= _ANGLE_AGREES]
    if not strong or len({np.sign(like) for like in strong}) > 1:
        return 0
    return int(np.sign(strong[0]))


def _odd_ones(
    signed: Suspects, bonds: Mapping[tuple[str, str], int], wheels: int
) -> frozenset[str]:
    """Return those whose turning round makes all agree: the fewest, or all where it is open."""
    if all(bond > 0 for bond in bonds.values()) and wheels >= 0:
        return frozenset()
    names = sorted({name for pair in bonds for name in pair} | set(signed) & {"steering_angle"})
    ways = [
        frozenset(turned)
        for count in range(len(names) + 1)
        for turned in itertools.combinations(names, count)
        if _agree(frozenset(turned), bonds, wheels)
    ]
    if not ways:
        return frozenset()
    fewest = min(len(way) for way in ways)
    return frozenset().union(*(way for way in ways if len(way) == fewest))


def _agree(turned: frozenset[str], bonds: Mapping[tuple[str, str], int], wheels: int) -> bool:
    if wheels and (wheels < 0) != ("steering_angle" in turned):
        return False
    return all(
        bond * (-1 if (pair[0] in turned) != (pair[1] in turned) else 1) > 0
        for pair, bond in bonds.items()
    )


def _judge_angle(suspects: Suspects) -> int:
    """Hold the angle against the wheels' difference: its unit, and 1 or -1 for its sign."""
    angle = suspects.get("steering_angle")
    if angle is None or not angle.usable:
        return 0
    likes = [
        found
        for left, right in (
            ("wheel_speed_fl", "wheel_speed_fr"),
            ("wheel_speed_rl", "wheel_speed_rr"),
        )
        if (found := _per_degree(angle.channel, suspects.get(left), suspects.get(right)))
    ]
    if not likes:
        return 0
    slope = max(likes, key=abs)
    low, high = _PER_DEGREE
    if low <= abs(slope) <= high:
        angle.checked.add("unit")
    elif not angle.told and low <= abs(slope) / _RADIAN <= high and angle.shape.reach < 20.0:  # noqa: PLR2004 - three turns in radians
        angle.hold(
            "is far too small for what the wheels' speeds differ", Likely("radians", _RADIAN)
        )
    return int(np.sign(slope))


def _per_degree(angle: Channel, left: Suspicion | None, right: Suspicion | None) -> float:
    """Return how much faster the left wheel runs for each degree, 0 where that does not show."""
    if left is None or right is None or not left.usable or not right.usable:
        return 0.0
    grid = common_grid(angle.time_s, left.channel.time_s, right.channel.time_s)
    degrees, one, other = (
        on_grid(grid, item.time_s, item.value) for item in (angle, left.channel, right.channel)
    )
    mean = (one + other) / 2.0
    rolling = ~np.isnan(degrees + mean) & (mean > _ROLLING_KPH)
    if np.count_nonzero(rolling) < _LEAST_POINTS:
        return 0.0
    share, turned = (one - other)[rolling] / mean[rolling], degrees[rolling]
    if np.ptp(turned) <= 0.0 or np.ptp(share) <= 0.0:
        return 0.0
    if abs(correlation(turned, share)) < _AGREES:
        return 0.0
    return float(np.polyfit(turned, share, 1)[0])
