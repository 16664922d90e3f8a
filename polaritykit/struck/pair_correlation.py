"""Waveforms of all pairs of tracks, cut at their arrivals, to normalised correlations at small lags.

Conventions
-----------
curves
    ``(n_tracks, n_tracks, 2·reach + 1)``, [a, b, lag]; a positive lag says that b's waveform lies later
    than its own pick, against a's.
"""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats


def _cut(windows: Floats, starts: NDArray[np.int64], length: int) -> Floats:
    """Cut ``length`` samples at a start per track from (..., n_tracks, n_samples)."""
    index = np.clip(starts[:, None] + np.arange(length), 0, windows.shape[-1] - 1)
    return np.take_along_axis(windows, np.broadcast_to(index, (*windows.shape[:-2], *index.shape)), axis=-1)


def pair_correlations(
    windows: Iterable[Floats], picks: NDArray[np.int64], *, before: int, length: int, reach: int
) -> Floats:
    """Normalised correlation of every pair of tracks at lags -reach..reach about their picks, mean over hits.

    Parameters
    ----------
    windows : iterable of ndarray, shape (n_tracks, n_samples)
        Hit by hit.
    picks : ndarray of int, shape (n_tracks,)
        Sample of each track's arrival.
    before, length, reach : int
        Samples: the gate begins ``before`` the pick and is ``length`` long.

    Returns
    -------
    ndarray, shape (n_tracks, n_tracks, 2·reach + 1)
        Between -1 and +1.
    """
    n_tracks, n_hits = len(picks), 0
    total = np.zeros((n_tracks, n_tracks, 2 * reach + 1))
    out = np.empty_like(total)
    # Hit by hit: what is worked out of one stays in the cache.
    for hit in windows:
        n_hits += 1
        template = _cut(hit, picks - before, length)
        template = template / np.maximum(np.linalg.norm(template, axis=-1, keepdims=True), 1e-12)
        longer = _cut(hit, picks - before - reach, length + 2 * reach)
        sliding = np.lib.stride_tricks.sliding_window_view(longer, length, axis=-1)
        norms = np.maximum(np.linalg.norm(sliding, axis=-1), 1e-12)
        for b in range(n_tracks):
            out[:, b] = template @ np.swapaxes(sliding[b] / norms[b, :, None], -1, -2)
        # Template a on b, and template b on a with time reversed, are two readings of one thing.
        total += 0.5 * (out + out.transpose(1, 0, 2)[..., ::-1])
    return total / n_hits


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
