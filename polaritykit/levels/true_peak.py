"""True peak of many tracks in one pass: the largest value of the waveform between the samples.

Only the stretches that can still raise the maximum are oversampled, so a long take costs little.

Conventions: samples are ``(n_tracks, n)`` float32, 1.0 is full scale; results are linear amplitudes.

Interpolation is ×8 (ITU-R BS.1770-5 Annex 2 asks for at least ×4 and calls higher ratios preferable).
On the ×8 grid a tone at ``f`` reads low by at most ``20·log10 cos(π·f / (8·rate))``: 0.14 dB at
0.45 × rate (Attachment 1 to Annex 2).  The filter is a Kaiser-windowed sinc of 48 taps a phase, flat
within 0.03 dB to 0.45 × rate; above 0.47 × rate it falls off like every realisable interpolator.

The bound
---------
An interpolated value is a weighted sum of 48 samples, so its size is at most the largest of them times
the greatest absolute weight sum of any phase (2.80, or 8.9 dB).  A stretch whose samples, with 24 either
side, times that number stay below the true peak so far cannot raise it and is skipped.  The bound holds
exactly for this interpolator; it says nothing of an ideal, endless one, whose overshoot between samples
has no bound at all.

What is left is first looked at half-way between the samples.  Around its largest value M a waveform
without anything above half the rate stays above ``M·cos(π·t)``, t in samples (the cosine bound behind
Bernstein's inequality; from memory: R. P. Boas, Entire Functions, 1954), so within ¼ sample of the true
peak it is at least 0.707 M: stretches that stay under 0.7 of the maximum so far go no further.
"""

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Samples

#: Oversampling ratio.
RATIO = 8
#: Samples used on either side of an interpolated value.
REACH = 24
#: Samples oversampled together; no shorter than REACH, so that one neighbour each side is enough.
STRETCH = 40
#: Samples the meter must be handed before and after what it measures.
CONTEXT = 2 * STRETCH
_KAISER_BETA = 5.0
_ROWS_AT_ONCE = 4096
_HALF_WAY_SHARE = 0.7


def interpolator() -> Floats:
    """Weights of the values between two samples.

    Returns
    -------
    array, shape (RATIO - 1, 2 * REACH)
        Row ``p - 1`` gives the value ``p / RATIO`` of the way from sample ``n`` to ``n + 1``; its columns
        weigh the samples ``n - REACH + 1 … n + REACH``.
    """
    phase = np.arange(1, RATIO)[:, np.newaxis] / RATIO
    distance = phase - np.arange(1 - REACH, REACH + 1)[np.newaxis, :]
    window = np.i0(_KAISER_BETA * np.sqrt(1 - (distance / REACH) ** 2)) / np.i0(_KAISER_BETA)
    weights: Floats = np.sinc(distance) * window
    weights /= weights.sum(axis=1, keepdims=True)
    return weights


class TruePeakMeter:
    """Running true peak of every track.

    Parameters
    ----------
    n_tracks : int
        Number of tracks.
    """

    def __init__(self, n_tracks: int) -> None:
        weights = interpolator()
        self._gain_bound = float(np.abs(weights).sum(axis=1).max()) * 1.0001
        # One matrix turns a stretch with its surroundings into all the values between its samples.
        matrix = np.zeros((STRETCH + 2 * REACH - 1, STRETCH, RATIO - 1), dtype=np.float32)
        for sample in range(STRETCH):
            matrix[sample : sample + 2 * REACH, sample, :] = weights.T
        self._matrix = matrix.reshape(len(matrix), -1)
        self._half_way = np.ascontiguousarray(matrix[:, :, RATIO // 2 - 1])
        self._peaks = np.zeros(n_tracks)

    @property
    def peaks(self) -> Floats:
        """True peak so far, linear, one per track."""
        return self._peaks.copy()

    def update(self, samples: Samples, tile_samples: int, tile_peaks: Samples) -> None:
        """Take in consecutive tiles.

        Parameters
        ----------
        samples : array, shape (n_tracks, CONTEXT + n_tiles * tile_samples + CONTEXT)
            The tiles with what comes before and after them.
        tile_samples : int
            Length of a tile, a multiple of STRETCH.
        tile_peaks : array, shape (n_tracks, n_tiles)
            Largest absolute sample of each tile.
        """
        np.maximum(self._peaks, tile_peaks.max(axis=1), out=self._peaks)
        edges = [np.abs(samples[:, :CONTEXT]).max(axis=1), np.abs(samples[:, -CONTEXT:]).max(axis=1)]
        around = np.column_stack([edges[0], tile_peaks, edges[1]])
        around = np.maximum(np.maximum(around[:, :-2], around[:, 1:-1]), around[:, 2:])
        tracks, tiles = np.nonzero(around * self._gain_bound > self._peaks[:, np.newaxis])
        if len(tracks) == 0:
            return
        starts = CONTEXT + tiles * tile_samples
        windows = np.lib.stride_tricks.sliding_window_view(samples, tile_samples + 2 * STRETCH, axis=1)
        cut = np.abs(windows[tracks, starts - STRETCH])
        peaks = cut.reshape(len(cut), -1, STRETCH).max(axis=2)
        around = np.maximum(np.maximum(peaks[:, :-2], peaks[:, 1:-1]), peaks[:, 2:])
        row, stretch = np.nonzero(around * self._gain_bound > self._peaks[tracks][:, np.newaxis])
        self._oversample(samples, tracks[row], starts[row] + stretch * STRETCH, around[row, stretch])

    def _oversample(
        self, samples: Samples, tracks: NDArray[np.intp], starts: NDArray[np.intp], around: Samples
    ) -> None:
        """Oversample the given stretches, the loudest of each track first: it rules out most others."""
        order = np.argsort(-around, kind="stable")
        tracks, starts, around = tracks[order], starts[order], around[order]
        _, loudest = np.unique(tracks, return_index=True)
        self._raise(samples, tracks[loudest], starts[loudest])
        left = around * self._gain_bound > self._peaks[tracks]
        left[loudest] = False
        tracks, starts = tracks[left], starts[left]
        for first in range(0, len(tracks), _ROWS_AT_ONCE):
            part = slice(first, first + _ROWS_AT_ONCE)
            self._raise(samples, tracks[part], starts[part])

    def _raise(self, samples: Samples, tracks: NDArray[np.intp], starts: NDArray[np.intp]) -> None:
        windows = np.lib.stride_tricks.sliding_window_view(samples, len(self._matrix), axis=1)
        rows = windows[tracks, starts - REACH + 1]
        half_way = np.abs(rows @ self._half_way).max(axis=1)
        own = np.abs(rows[:, REACH - 1 : REACH + STRETCH]).max(axis=1)
        np.maximum.at(self._peaks, tracks, half_way)
        near = np.maximum(half_way, own) >= _HALF_WAY_SHARE * self._peaks[tracks]
        tracks, between = tracks[near], rows[near] @ self._matrix
        np.maximum.at(self._peaks, tracks, np.maximum(between.max(axis=1), -between.min(axis=1)))
