"""Onsets of all tracks to one time per track at which most strokes fall together.

Tracks may be late by what was recorded late, by converters, by links and by the way of the sound.  What is
read of strokes must not depend on the first three, so all of it is read on the common time found here; the
way of the sound differs from source to source and stays.

Conventions
-----------
late
    samples; how much later than the common time a track is, the least late track 0.
"""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats
from polaritykit.struck.direct_correlation import fitting_times
from polaritykit.struck.onsets import Event, Onsets, samples_of

#: Onsets of two tracks further apart are not of one stroke: a room mic 30 m away, or a digital link.
REACH_MS = 110.0
#: Regular music fits again a note later: lags beyond what electronics and some metres make count less, by e
#: for each of these.
_NEAR_MS, _NEARER_MS = 25.0, 200.0
_BIN_MS = 0.25
#: Onsets measured at every sample, once most are lined up.
_FINE_REACH_MS, _FINE_BIN_MS = 5.0, 0.05
#: The ways of several sources differ by some milliseconds; wide enough for one peak.
_WIDTH_MS = 2.0


def common_time(onsets: Onsets, n_tracks: int, sample_rate_hz: int) -> NDArray[np.int64]:
    """Find how late each track is against the others, by when its strokes set in.

    Parameters
    ----------
    onsets : Onsets
        Of all tracks, in any order.
    n_tracks, sample_rate_hz : int

    Returns
    -------
    ndarray of int, shape (n_tracks,)
        0 for a track without onsets.
    """
    samples = [np.sort(samples_of(onsets, track)) for track in range(n_tracks)]
    return _fitting(samples, sample_rate_hz, reach_ms=REACH_MS, bin_ms=_BIN_MS)


def still_late(events: Sequence[Event], n_tracks: int, sample_rate_hz: int) -> NDArray[np.int64]:
    """Find how late tracks still are that were lined up by onsets in frames.

    Parameters
    ----------
    events : sequence of Event
        Measured at every sample.
    n_tracks, sample_rate_hz : int

    Returns
    -------
    ndarray of int, shape (n_tracks,)
    """
    onset = np.array([event.onset_samples for event in events]).reshape(-1, n_tracks)
    rises = np.array([event.rise_db > 0.0 for event in events]).reshape(-1, n_tracks)
    samples = [onset[rises[:, track], track] for track in range(n_tracks)]
    return _fitting(samples, sample_rate_hz, reach_ms=_FINE_REACH_MS, bin_ms=_FINE_BIN_MS)


def _fitting(
    samples: Sequence[NDArray[np.int64]], sample_rate_hz: int, *, reach_ms: float, bin_ms: float
) -> NDArray[np.int64]:
    """Find the times at which most onsets fall together; ``samples`` are those of each track, in order."""
    from scipy.ndimage import gaussian_filter1d

    n_tracks = len(samples)
    times = [at / sample_rate_hz * 1e3 for at in samples]
    heard = [track for track in range(n_tracks) if len(times[track])]
    late = np.zeros(n_tracks, dtype=np.int64)
    if len(heard) < 2:
        return late
    pairs = list(combinations(heard, 2))
    curves = np.array(
        [
            lag_counts(times[a], times[b], reach_ms=reach_ms, bin_ms=bin_ms)
            / np.sqrt(len(times[a]) * len(times[b]))
            for a, b in pairs
        ]
    )
    curves = gaussian_filter1d(curves, _WIDTH_MS / bin_ms, axis=-1, mode="constant")
    apart_ms = bin_ms * np.abs(np.arange(curves.shape[-1]) - curves.shape[-1] // 2)
    curves *= np.exp(-np.maximum(apart_ms - _NEAR_MS, 0.0) / _NEARER_MS)
    found = fitting_times(curves, len(heard)) * bin_ms * 1e-3 * sample_rate_hz
    late[heard] = np.round(found - found.min()).astype(np.int64)
    return late


def lag_counts(first_ms: Floats, second_ms: Floats, *, reach_ms: float, bin_ms: float) -> Floats:
    """Count how often the second sets in so much later than the first.

    Parameters
    ----------
    first_ms, second_ms : ndarray
        Onsets in order.
    reach_ms, bin_ms : float
        Largest lag either way, and the width of a bin.

    Returns
    -------
    ndarray
        One count a bin, lag 0 in the middle.
    """
    reach = round(reach_ms / bin_ms)
    begin = np.searchsorted(second_ms, first_ms - reach_ms)
    end = np.searchsorted(second_ms, first_ms + reach_ms)
    counts = np.zeros(2 * reach + 1)
    for further in range(int((end - begin).max(initial=0))):
        inside = begin + further < end
        apart = second_ms[begin[inside] + further] - first_ms[inside]
        np.add.at(counts, np.round(apart / bin_ms).astype(np.int64) + reach, 1.0)
    return counts
