"""The phase that a delay gives to each frequency of a grid.

Conventions: a sound that is late by τ is turned by exp(−2πjfτ).
"""

from math import isqrt

import numpy as np

from polaritykit.base.types import Complexes, Floats


def turns(frequency_hz: Floats, late_s: float | Floats) -> Complexes:
    """Return exp(−2πjfτ).

    On an even grid exp(x + y) = exp(x)·exp(y): two short lists of exponentials make a long one, to the last
    digit or two, in a tenth of the time.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n_bins,)
        Even, or with steps that only grow, as grids in groups of bins.
    late_s : float or ndarray
        τ, one or several.

    Returns
    -------
    ndarray of complex, shape (..., n_bins)

    Examples
    --------
    >>> turns(np.array([0.0, 250.0, 500.0]), 1e-3).round(6).tolist()
    [(1+0j), -1j, (-1-0j)]
    """
    angle = -2j * np.pi * np.asarray(late_s)
    n = len(frequency_hz)
    if n < 3:
        return np.asarray(np.exp(np.multiply.outer(angle, frequency_hz)))
    first, second, last = float(frequency_hz[0]), float(frequency_hz[1]), float(frequency_hz[-1])
    step = (last - first) / (n - 1)
    if abs(second - first - step) >= 1e-9 * step:
        return np.asarray(np.exp(np.multiply.outer(angle, frequency_hz)))
    width = isqrt(n - 1) + 1
    coarse = np.exp(np.multiply.outer(angle, np.arange(first, last + 0.5 * step, step * width)))
    fine = np.exp(np.multiply.outer(angle, step * np.arange(width)))
    made = coarse[..., :, None] * fine[..., None, :]
    return np.asarray(made.reshape(*angle.shape, coarse.shape[-1] * width)[..., :n])
