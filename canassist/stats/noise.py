"""The noise and the rounding of samples."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from canassist.model import FloatArray


MEDIAN_TO_SPREAD: Final = 1.4826
"""Standard deviation of normal values over their median size."""


SECOND_DIFFERENCE_GAIN: Final = 6.0
"""Variance of a second difference over that of the noise: 1 + 4 + 1."""


def noise_variance(value: FloatArray) -> float:
    """Return the variance of white noise on evenly spaced samples of something smooth.

    Second differences cancel what is smooth; their median size is robust against steps.

    Parameters
    ----------
    value : array of float64, shape (n,)
        Samples without NaN.
    """
    if len(value) < 3:  # noqa: PLR2004 - a second difference takes three samples
        return 0.0
    bend = np.abs(value[:-2] - 2.0 * value[1:-1] + value[2:])
    return float((MEDIAN_TO_SPREAD * np.median(bend)) ** 2 / SECOND_DIFFERENCE_GAIN)


ENOUGH_VALUES: Final = 20_000
"""So many values show every step that matters."""


ROUNDING: Final = 12.0
"""A rounding error is spread evenly over one step: its variance is a twelfth of the square."""


def rounding_variance(value: FloatArray) -> float:
    """Return the variance of the rounding error of values sent in steps: step squared over 12.

    Parameters
    ----------
    value : array of float64, shape (n,)
        Samples without NaN; the step is the smallest difference between two of them.

    References
    ----------
    .. [1] W. R. Bennett (1948), Spectra of Quantized Signals, Bell System Technical
       Journal 27 (from memory).
    """
    levels = np.unique(value[:: max(1, len(value) // ENOUGH_VALUES)])
    return float(np.diff(levels).min() ** 2 / ROUNDING) if len(levels) > 1 else 0.0
