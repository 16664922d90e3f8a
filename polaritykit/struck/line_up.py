"""Arrivals of one source, picked track by track, to arrivals lined up between the tracks.

A pick is a whole sample, and where a track rises slowly or out of noise it falls some samples late.  What
the averaged votes of two tracks have in common just after their picks tells how far; all pairs together
give one small shift per track, so that the differences of the arrivals still close.

References
----------
Relative times of all pairs of traces made consistent by least squares: VanDecar, J. C. & Crosson, R. S.
(1990), Bull. Seismol. Soc. Am. 80, 150-169 (cited from memory).
"""

from dataclasses import replace

import numpy as np

from polaritykit.base.types import read_only
from polaritykit.struck.first_arrival import Arrivals
from polaritykit.struck.pair_correlation import best_lag, pair_correlations

#: Picks are lined up between tracks by what their votes have in common from this long before ...
_BEFORE_MS = 0.2
#: ... to this long after them: the first motion, and little that a reflection or the drum's own size
#: could have changed.
_AFTER_MS = 0.3
#: No pick is moved further by any one other track ...
_SEARCH_MS = 0.1
#: ... which must be this much like it.
_LEAST_SIMILARITY = 0.6
#: Weight of staying where it was picked, against the best match of two tracks.
_RIDGE = 0.3


def lined_up(arrivals: Arrivals, zero: int, sample_rate_hz: int) -> Arrivals:
    """Shift the picks so that the first motions of the tracks lie on each other, whatever their sign.

    Parameters
    ----------
    arrivals : Arrivals
    zero : int
        Sample of the reference time in the votes.
    sample_rate_hz : int

    Returns
    -------
    Arrivals
        With other ``arrival_s``; their mean stays.
    """

    def samples(milliseconds: float) -> int:
        return round(milliseconds * 1e-3 * sample_rate_hz)

    picks = zero + np.round(arrivals.arrival_s * sample_rate_hz).astype(np.int64)
    reach = samples(_SEARCH_MS)
    curves = pair_correlations(
        arrivals.votes[None],
        picks,
        before=samples(_BEFORE_MS),
        length=samples(_BEFORE_MS + _AFTER_MS),
        reach=reach,
    )
    value, lag = np.abs(curves).max(axis=-1), best_lag(curves)
    # A lag at the end of the search is no match but a slope.
    fits = (value >= _LEAST_SIMILARITY) & (np.abs(lag) < 0.95 * reach)
    np.fill_diagonal(fits, val=False)
    weight = fits * value**2 * np.outer(arrivals.coherence, arrivals.coherence)
    weight = weight / max(float(weight.max()), 1e-12)
    # Least squares of the lags; the ridge keeps a track that matches few others near its pick.
    normal = np.diag(weight.sum(axis=1)) - weight + _RIDGE * np.eye(len(weight))
    shift = np.linalg.solve(normal, (weight * lag).sum(axis=0))
    return replace(arrivals, arrival_s=read_only(arrivals.arrival_s + shift / sample_rate_hz))
