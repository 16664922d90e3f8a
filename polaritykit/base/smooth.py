"""Running means along the last axis, zeros beyond the ends: those of `scipy.ndimage`.

(Importing that takes as long as checking a short session's levels, most of it for the texts of its help.)
"""

import numpy as np

from polaritykit.base.types import Floats


def running_mean(values: Floats, width: int) -> Floats:
    """Mean of so many values around each, ``uniform_filter1d(values, width, mode="constant")``.

    Parameters
    ----------
    values : ndarray, shape (..., n)
    width : int
        Values in a mean; of an even number one more lies before than behind.

    Examples
    --------
    >>> running_mean(np.array([3.0, 0.0, 0.0, 3.0]), 3).tolist()
    [1.0, 1.0, 1.0, 1.0]
    """
    before = width // 2
    edges = [(0, 0)] * (values.ndim - 1) + [(before, width - before - 1)]
    padded = np.pad(np.asarray(values, dtype=np.float64), edges)
    # The first sum, then by how much each differs from the one before.
    steps = np.empty(values.shape)
    steps[..., 0] = padded[..., :width].cumsum(axis=-1)[..., -1]
    steps[..., 1:] = padded[..., width:] - padded[..., :-width]
    return np.asarray(steps.cumsum(axis=-1) / width)


def bell_mean(values: Floats, sigma: float) -> Floats:
    """Mean weighed by a bell curve, ``gaussian_filter1d(values, sigma, mode="constant")``.

    Parameters
    ----------
    values : ndarray, shape (..., n)
    sigma : float
        Standard deviation of the curve, in values; it ends at four times that.

    Examples
    --------
    >>> bell_mean(np.array([0.0, 1.0, 0.0]), 0.5).round(3).tolist()
    [0.106, 0.787, 0.106]
    """
    reach = int(4.0 * sigma + 0.5)
    weights = np.exp(-0.5 / (sigma * sigma) * np.arange(-reach, reach + 1) ** 2)
    weights /= weights.sum()
    n = values.shape[-1]
    rows = [np.convolve(row, weights)[reach : reach + n] for row in values.reshape(-1, n)]
    return np.array(rows).reshape(values.shape)
