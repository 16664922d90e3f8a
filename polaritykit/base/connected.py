"""Which things hang together, directly or by way of others.

(`scipy.sparse.csgraph` draws in sparse solvers: importing it takes as long as checking a short session's
levels, for a few dozen tracks.)
"""

import numpy as np
from numpy.typing import NDArray


def connected(linked: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Give each thing the number of the group it hangs together with.

    Parameters
    ----------
    linked : ndarray of bool, shape (n, n)
        Which are linked; either way counts.

    Returns
    -------
    ndarray of int, shape (n,)
        Group of each, from 0 on in the order of their first members.

    Examples
    --------
    >>> connected(np.array([[0, 0, 1], [0, 0, 0], [0, 0, 0]], dtype=bool)).tolist()
    [0, 1, 0]
    """
    n = len(linked)
    either = linked | linked.T | np.eye(n, dtype=bool)
    lowest = np.arange(n)
    while True:
        # Each takes the lowest number among its own, and what that one has found meanwhile.
        lower = np.where(either, lowest, n).min(axis=1, initial=n)
        lower = lower[lower]
        if np.array_equal(lower, lowest):
            return np.unique(lowest, return_inverse=True)[1].astype(np.int64)
        lowest = lower
