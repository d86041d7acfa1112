"""Heating of the module by the square of its current: time constant and gain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from canassist.model import Estimate, ThermalFit
from canassist.stats import t95

if TYPE_CHECKING:
    from canassist.model import Channel, FloatArray, LimitLines, Profile, Timeline

STEP_S: Final = 1.0
"""Heat moves slowly: temperature and the square of current are averaged over this."""

LEAST_STEPS: Final = 60
"""Fewer averages than this show no time constant."""

LOAD_GAIN_SHARE: Final = 0.10
"""Current squared may be off by this share, twice what a current reading may be: common practice,
no source."""

REPEATS_S: Final = 20.0
REPEATS_TIMES: Final = 4.0
REPEATS_USUAL: Final = 0.9
LEAST_RUNS: Final = 20
"""A value repeated for longer than this, and than so many times what nine tenths of the repeats
last, is left out; with fewer repeats nothing is usual. Common practice, no source."""

LEAST_RISE_K: Final = 3.0
"""A temperature that moved less says nothing on what heats it."""

LEAST_KNOWN: Final = 0.8
"""Share of the ride over which current must be known: what is not seen heats too."""

SLOW_S: Final = (30.0, 3000.0)
"""Range in which the time constant of housing and mounting is looked for."""

FAST_S: Final = (1.0, 20.0)
"""Range in which that of the power stage itself is looked for, where the data carries it."""

START_SLOW_S: Final = (60.0, 120.0, 240.0, 480.0, 960.0)
START_FAST_S: Final = (2.0, 6.0)
ROUNDS: Final = 25
BLOCK_STEPS: Final = 6
"""Residuals hang together over quantisation and unmodelled swings: blocks of 6 s."""

WORTH: Final = 0.98
"""A second time constant is kept where it leaves at most this share of the squared error."""

IDENTIFIED: Final = 0.5
"""A half interval wider than this share of the value identifies nothing."""


class _Grid(NamedTuple):
    """Averages over steps of `STEP_S`: middle times, temperature (NaN unknown), current squared."""

    time_s: FloatArray
    heat_c: FloatArray
    load_a2: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """A fitted model: time constants, linear part, residuals and covariance."""

    tau_s: tuple[float, ...]
    linear: FloatArray
    model_c: FloatArray
    error: float
    log_tau_spread: float
    gain_spread: float
    blocks: int

    @property
    def gain(self) -> float:
        """Settled rise per ampere squared: all nodes together."""
        return float(self.linear[1 + len(self.tau_s) :].sum())


def fit_thermal(timeline: Timeline, profile: Profile, lines: LimitLines) -> ThermalFit | None:
    """Fit heating by current squared; None where the log does not carry it.

    A sum of one or two first-order parts, each driven by the square of the current and
    each with its own start; the second (the power stage on its housing) is kept where it
    makes the fit clearly better. The interval respects that residuals hang together.

    Parameters
    ----------
    lines : LimitLines
        Where derating starts, for the times that are derived.

    Returns
    -------
    ThermalFit or None
        None without temperature and motor (or module) current, without enough rise, or
        where the ride identifies no time constant.

    References
    ----------
    .. [1] First-order heating, ``dT/dt = (ambient + gain * I**2 - T) / tau`` (any text on
       heat transfer), solved exactly for a current that is constant over each step.
    """
    temperature = timeline.get("module_temperature")
    name = next((n for n in ("motor_current", "module_current") if timeline.has(n)), None)
    if temperature is None or name is None:
        return None
    table = _averages(temperature, timeline.channels[name], timeline.duration_s)
    known = ~np.isnan(table.heat_c)
    if known.sum() < LEAST_STEPS or np.ptp(table.heat_c[known]) < LEAST_RISE_K:
        return None
    if np.isnan(table.load_a2).mean() > 1.0 - LEAST_KNOWN:
        return None
    table = table._replace(load_a2=np.where(np.isnan(table.load_a2), 0.0, table.load_a2))
    best = _best(table)
    if best is None:
        return None
    return _result(best, table, profile, lines, name)


def _averages(temperature: Channel, current: Channel, end_s: float) -> _Grid:
    count = max(int(end_s / STEP_S), 1)
    heat = _binned(*_moving(temperature), count)
    time_s, value = current.valid()
    middle_s = (np.arange(count, dtype=np.float64) + 0.5) * STEP_S
    return _Grid(middle_s, heat, _binned(time_s, value**2, count))


def _moving(temperature: Channel) -> tuple[FloatArray, FloatArray]:
    """Return the samples without stretches that repeat one value far longer than others do.

    A reading that is stuck would bend the very model that is to tell that it is.
    """
    time_s, value = temperature.valid()
    first = np.concatenate(([0], np.flatnonzero(np.diff(value) != 0.0) + 1))
    stop = np.append(first[1:], len(value))
    if len(first) < LEAST_RUNS:
        return time_s, value
    lasts_s = time_s[stop - 1] - time_s[first]
    bound_s = max(REPEATS_S, REPEATS_TIMES * float(np.quantile(lasts_s, REPEATS_USUAL)))
    keep = np.repeat(lasts_s <= bound_s, stop - first)
    return time_s[keep], value[keep]


def _binned(time_s: FloatArray, value: FloatArray, count: int) -> FloatArray:
    """Return means over steps, NaN where a step holds no sample."""
    row = np.minimum((time_s / STEP_S).astype(np.int64), count - 1)
    number = np.bincount(row, minlength=count)
    total = np.bincount(row, weights=value, minlength=count)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _best(table: _Grid) -> _Fit | None:
    one = _settle(table, [(tau,) for tau in START_SLOW_S])
    two = _settle(table, [(slow, fast) for slow in START_SLOW_S for fast in START_FAST_S])
    if one is None or (two is not None and two.error <= WORTH * one.error):
        return two
    return one


def _settle(table: _Grid, starts: list[tuple[float, ...]]) -> _Fit | None:
    """Search the time constants by Gauss and Newton from the best of some starts."""
    tau_s = min(starts, key=lambda tau: _linear(table, tau)[2])
    bounds = np.log(np.array((SLOW_S, FAST_S)[: len(tau_s)]))
    log_tau = np.log(np.array(tau_s))
    linear, design, error = _linear(table, tuple(np.exp(log_tau)))
    for _ in range(ROUNDS):
        move = _newton_move(table, log_tau, linear, design)
        better = False
        for scale in (1.0, 0.5, 0.25, 0.1):
            tried = np.clip(log_tau + scale * move, bounds[:, 0], bounds[:, 1])
            outcome = _linear(table, tuple(np.exp(tried)))
            if outcome[2] < error:
                gained = 1.0 - outcome[2] / error
                log_tau, (linear, design, error), better = tried, outcome, gained > ENOUGH_GAIN
                break
        if not better:
            break
    if np.isclose(log_tau[0], bounds[0]).any() or linear[1 + len(log_tau) :].sum() <= 0.0:
        return None
    return _with_spread(table, log_tau, linear, design, error)


ENOUGH_GAIN: Final = 1e-6
"""The search ends where a round takes away less than this share of the squared error."""


def _linear(table: _Grid, tau_s: tuple[float, ...]) -> tuple[FloatArray, FloatArray, float]:
    """Return coefficients, design and squared error of the best fit at these time constants."""
    columns = [np.ones(len(table.time_s))]
    columns += [np.exp(-table.time_s / tau) for tau in tau_s]
    columns += [mean_response(table.load_a2, tau, STEP_S) for tau in tau_s]
    design = np.column_stack(columns)
    known = ~np.isnan(table.heat_c)
    linear, *_ = np.linalg.lstsq(design[known], table.heat_c[known], rcond=None)
    left = table.heat_c[known] - design[known] @ linear
    return np.asarray(linear, dtype=np.float64), design, float(left @ left)


NUDGE: Final = 1e-3
"""Step in the logarithm of a time constant by which its effect is measured."""


def _slopes(
    table: _Grid, log_tau: FloatArray, linear: FloatArray, design: FloatArray
) -> FloatArray:
    """Return the model's change per unit of each log time constant, shape (n, taus)."""
    now = design @ linear
    columns = []
    for place in range(len(log_tau)):
        moved = log_tau.copy()
        moved[place] += NUDGE
        tau = float(np.exp(moved[place]))
        change = design.copy()
        change[:, 1 + place] = np.exp(-table.time_s / tau)
        change[:, 1 + len(log_tau) + place] = mean_response(table.load_a2, tau, STEP_S)
        columns.append((change @ linear - now) / NUDGE)
    return np.column_stack(columns)


def _newton_move(
    table: _Grid, log_tau: FloatArray, linear: FloatArray, design: FloatArray
) -> FloatArray:
    known = ~np.isnan(table.heat_c)
    full = np.column_stack((design, _slopes(table, log_tau, linear, design)))[known]
    left = table.heat_c[known] - design[known] @ linear
    move, *_ = np.linalg.lstsq(full, left, rcond=None)
    return np.asarray(move[len(linear) :])


def _with_spread(
    table: _Grid, log_tau: FloatArray, linear: FloatArray, design: FloatArray, error: float
) -> _Fit:
    """Add the spread of the estimates, from residuals taken together in blocks."""
    known = np.flatnonzero(~np.isnan(table.heat_c))
    full = np.column_stack((design, _slopes(table, log_tau, linear, design)))[known]
    left = table.heat_c[known] - design[known] @ linear
    scale = np.linalg.norm(full, axis=0)
    bread = np.linalg.pinv((full / scale).T @ (full / scale))
    _, block = np.unique(known // BLOCK_STEPS, return_inverse=True)
    scores = np.zeros((int(block.max()) + 1, full.shape[1]))
    np.add.at(scores, block, full / scale * left[:, None])
    blocks, parameters = len(scores), full.shape[1]
    correction = blocks / max(blocks - parameters, 1)
    covariance = bread @ (scores.T @ scores) @ bread * correction / np.outer(scale, scale)
    gains = slice(1 + len(log_tau), 1 + 2 * len(log_tau))
    return _Fit(
        tau_s=tuple(float(value) for value in np.exp(log_tau)),
        linear=linear,
        model_c=design @ linear,
        error=error,
        log_tau_spread=float(np.sqrt(max(covariance[len(linear), len(linear)], 0.0))),
        gain_spread=float(np.sqrt(max(covariance[gains, gains].sum(), 0.0))),
        blocks=max(blocks - parameters, 1),
    )


def mean_response(load: FloatArray, tau_s: float, step_s: float) -> FloatArray:
    """Return the mean over each step of a first-order response to a stepwise constant load.

    Parameters
    ----------
    load : array of float64, shape (n,)
        Constant over each step; the response starts at zero.
    tau_s, step_s : float
        Time constant and length of a step.

    Returns
    -------
    array of float64, shape (n,)
        In units of the load: 1 once settled at 1.
    """
    keep = math.exp(-step_s / tau_s)
    start = _recursion(load, keep)
    return np.asarray(load + (start - load) * tau_s * (1.0 - keep) / step_s)


CHUNK: Final = 64
"""Length of the pieces in which the recursion is worked at once."""


def _recursion(load: FloatArray, keep: float) -> FloatArray:
    """Return ``y[k + 1] = keep * y[k] + (1 - keep) * load[k]`` from ``y[0] = 0``."""
    count = len(load)
    padded = np.zeros(-(-count // CHUNK) * CHUNK)
    padded[:count] = load
    power = keep ** np.arange(CHUNK + 1)
    lag = np.subtract.outer(np.arange(CHUNK), np.arange(CHUNK)) - 1
    inner = np.where(lag >= 0, power[np.maximum(lag, 0)], 0.0) * (1.0 - keep)
    pieces = padded.reshape(-1, CHUNK)
    within = pieces @ inner.T
    ends = within[:, -1] * keep + (1.0 - keep) * pieces[:, -1]
    level = 0.0
    for row, end in enumerate(ends.tolist()):
        within[row] += level * power[:CHUNK]
        level = end + level * float(power[CHUNK])
    return within.ravel()[:count]


def _result(
    fit: _Fit, table: _Grid, profile: Profile, lines: LimitLines, name: str
) -> ThermalFit | None:
    known = ~np.isnan(table.heat_c)
    heat = table.heat_c[known]
    quantile = t95(fit.blocks)
    half = quantile * fit.log_tau_spread
    if half > IDENTIFIED or not np.isfinite(half):
        return None
    tau, gain, ambient_c = fit.tau_s[0], fit.gain, float(fit.linear[0])
    load = _hardest_minute(table.load_a2)
    hottest = float(heat.max())
    back = 1.0 - profile.limits.recovered_pct / 100.0
    recovery_c = lines.derate_start_c + back * (lines.derate_zero_c - lines.derate_start_c)
    margin_k = lines.derate_start_c - ambient_c
    return ThermalFit(
        tau_s=Estimate(
            value=tau,
            low=tau * math.exp(-half),
            high=tau * math.exp(half),
            unit="s",
            count=fit.blocks,
        ),
        gain_k_per_a2=Estimate(
            value=gain,
            low=gain - quantile * fit.gain_spread,
            high=gain + quantile * fit.gain_spread,
            unit="K/A²",
            count=fit.blocks,
        ).with_sensors(LOAD_GAIN_SHARE),
        ambient_c=ambient_c,
        fit=1.0 - fit.error / float(((heat - heat.mean()) ** 2).sum()),
        load_a2=load,
        to_derate_s=_time_to(tau, gain * load, margin_k),
        recover_s=_time_to_cool(tau, hottest - ambient_c, recovery_c - ambient_c),
        sustained_current_a=math.sqrt(margin_k / gain) if margin_k > 0.0 else None,
        time_s=table.time_s,
        model_c=fit.model_c,
        driven_by=name,
    )


MINUTE_STEPS: Final = 60


def _hardest_minute(load_a2: FloatArray) -> float:
    """Return the greatest mean over a minute, or over the ride where that is shorter."""
    width = min(MINUTE_STEPS, len(load_a2))
    total = np.concatenate(([0.0], np.cumsum(load_a2)))
    return float(((total[width:] - total[:-width]) / width).max())


def _time_to(tau_s: float, settled_k: float, rise_k: float) -> float | None:
    """Return how long heating from ambient takes to reach a rise; None where it never does."""
    if rise_k <= 0.0:
        return 0.0
    return tau_s * -math.log(1.0 - rise_k / settled_k) if settled_k > rise_k else None


def _time_to_cool(tau_s: float, from_k: float, to_k: float) -> float | None:
    """Return how long cooling takes; None where it never gets there or need not."""
    return tau_s * math.log(from_k / to_k) if from_k > to_k > 0.0 else None
