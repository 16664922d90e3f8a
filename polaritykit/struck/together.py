"""Tracks to groups whose strokes fall together more often than chance would have it.

Strokes are told apart by how loud the tracks of one group hear them: a track that is struck at moments of its
own (a loop, another room) says nothing of the others' strokes, and must not change what is told of them.

Conventions: onsets in samples as recorded; tracks are indices in session order.
"""

from itertools import combinations

import numpy as np

from polaritykit.base.types import Floats
from polaritykit.struck.common_time import REACH_MS, lag_counts
from polaritykit.struck.onsets import Onsets, samples_of

#: Onsets of one stroke lie within so much of the commonest lag of two tracks: the ways of several sources.
_WIDTH_MS = 4.0
_BIN_MS = 0.25
#: A track is tied to any other by chance this often.
_BY_CHANCE = 0.01


def struck_together(
    onsets: Onsets, n_tracks: int, sample_rate_hz: int, n_samples: int
) -> tuple[tuple[int, ...], ...]:
    """Group the tracks that set in together.

    Parameters
    ----------
    onsets : Onsets
        Of all tracks, in any order.
    n_tracks, sample_rate_hz, n_samples : int
        Of the recording.

    Returns
    -------
    tuple of tuple of int
        Tracks with onsets, each in one group; in session order.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    times = [np.sort(samples_of(onsets, track)) / sample_rate_hz * 1e3 for track in range(n_tracks)]
    struck = [track for track in range(n_tracks) if len(times[track])]
    length_ms = n_samples / sample_rate_hz * 1e3
    tied = [
        pair
        for pair in combinations(struck, 2)
        if _by_chance(times[pair[0]], times[pair[1]], length_ms) * len(struck) <= _BY_CHANCE
    ]
    a, b = np.array(tied, dtype=np.int64).reshape(-1, 2).T
    graph = coo_array((np.ones(len(a)), (a, b)), shape=(n_tracks, n_tracks))
    label = connected_components(graph, directed=False)[1]
    return tuple(
        tuple(t for t in struck if label[t] == found) for found in dict.fromkeys(label[struck].tolist())
    )


def _by_chance(first_ms: Floats, second_ms: Floats, length_ms: float) -> float:
    """Tell how likely it is that as many onsets of two tracks lie at one lag, were they independent.

    Onsets of independent tracks are at any lag alike; the number in a window is Poisson's, and as many
    windows were looked at as the lags hold.
    """
    from scipy.special import pdtrc

    counts = lag_counts(first_ms, second_ms, reach_ms=REACH_MS, bin_ms=_BIN_MS)
    width = round(_WIDTH_MS / _BIN_MS)
    windows = np.convolve(counts, np.ones(width), mode="valid")
    most = float(windows.max())
    if most == 0.0:
        return 1.0
    over_all = len(first_ms) * len(second_ms) * _WIDTH_MS / length_ms
    # Both may play in the same parts of the take only.
    nearby = (float(counts.sum()) - most) * width / (len(counts) - width)
    return float(pdtrc(most - 1.0, max(over_all, nearby)) * len(counts) / width)
