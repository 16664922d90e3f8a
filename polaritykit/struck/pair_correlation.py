"""Waveforms of all pairs of tracks, cut at their arrivals, to normalised correlations at small lags.

Conventions
-----------
curves
    ``(n_tracks, n_tracks, 2·reach + 1)``, [a, b, lag]; a positive lag says that b's waveform lies later
    than its own pick, against a's.
"""

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats


def _cut(windows: Floats, starts: NDArray[np.int64], length: int) -> Floats:
    """Cut ``length`` samples at a start per track from (..., n_tracks, n_samples)."""
    index = np.clip(starts[:, None] + np.arange(length), 0, windows.shape[-1] - 1)
    return np.take_along_axis(windows, np.broadcast_to(index, (*windows.shape[:-2], *index.shape)), axis=-1)


def pair_correlations(
    windows: Floats, picks: NDArray[np.int64], *, before: int, length: int, reach: int
) -> Floats:
    """Normalised correlation of every pair of tracks at lags -reach..reach about their picks, mean over hits.

    Parameters
    ----------
    windows : ndarray, shape (n_hits, n_tracks, n_samples)
    picks : ndarray of int, shape (n_tracks,)
        Sample of each track's arrival.
    before, length, reach : int
        Samples: the gate begins ``before`` the pick and is ``length`` long.

    Returns
    -------
    ndarray, shape (n_tracks, n_tracks, 2·reach + 1)
        Between -1 and +1.
    """
    n_hits, n_tracks = windows.shape[:2]
    longer = _cut(windows, picks - before - reach, length + 2 * reach).swapaxes(0, 1)
    sliding = np.lib.stride_tricks.sliding_window_view(longer, length, axis=-1)
    share = 1.0 / np.maximum(np.sqrt(np.einsum("thkn,thkn->kth", sliding, sliding)), 1e-12)

    def gates(lag: int) -> Floats:
        """All hits of a track in a row, so that one product sums over them."""
        return np.reshape(longer[..., lag : lag + length] * share[lag, ..., None], (n_tracks, -1))

    template = gates(reach)
    out = np.stack([template @ gates(lag).T for lag in range(2 * reach + 1)], axis=-1)
    # Template a on b, and template b on a with time reversed, are two readings of one thing.
    return np.asarray(0.5 * (out + out.transpose(1, 0, 2)[..., ::-1]) / n_hits)


def best_lag(curves: Floats) -> Floats:
    """Lag of largest size, refined by the parabola through its neighbours, antisymmetric.

    Parameters
    ----------
    curves : ndarray, shape (n_tracks, n_tracks, 2·reach + 1)

    Returns
    -------
    ndarray, shape (n_tracks, n_tracks)
        Samples from the middle.
    """
    best = np.argmax(np.abs(curves), axis=-1)
    reach = (curves.shape[-1] - 1) // 2
    inner = np.clip(best, 1, curves.shape[-1] - 2)
    left, middle, right = (
        np.abs(np.take_along_axis(curves, (inner + step)[..., None], axis=-1)[..., 0]) for step in (-1, 0, 1)
    )
    bend = left - 2 * middle + right
    bent = np.abs(bend) > 1e-12
    vertex = np.where(bent, 0.5 * (left - right) / np.where(bent, bend, 1.0), 0.0)
    lag = inner - reach + np.clip(vertex, -0.5, 0.5)
    return np.asarray(0.5 * (lag - lag.T))
