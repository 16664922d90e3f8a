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

A stretch that does is held against a second bound, much closer where a waveform is not all treble.  Between
two samples the straight line between them stays below the larger, and what the interpolator adds to the line
is a weighted sum of second differences (its weights less the line's add up to nothing, twice over but for a
thousandth): at most the largest of those times the greatest absolute sum of such weights, 0.55.

What is left is then looked at half-way between the samples.  The same bound above the line from a sample to
such a value has 0.12 in place of 0.55; few stretches can then still hold the maximum.
"""

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Samples

#: Oversampling ratio.
RATIO = 8
#: Samples used on either side of an interpolated value.
REACH = 24
#: Samples oversampled together; no shorter than REACH, so that one neighbour each side is enough; a multiple
#: of 8.
STRETCH = 40
#: Samples the meter must be handed before and after what it measures.
CONTEXT = 2 * STRETCH
_KAISER_BETA = 5.0
_ROWS_AT_ONCE = 2048
_HALF_WAY = RATIO // 2


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


def bend_bound(weights: Floats, step: int = RATIO) -> tuple[float, float]:
    """By how much a value between two samples may lie above the line between those that are known.

    Parameters
    ----------
    weights : array, shape (RATIO - 1, 2 * REACH)
        As of `interpolator`.
    step : int
        So many ``RATIO``-ths of a sample from one known value to the next.

    Returns
    -------
    per_bend, per_sample : float
        For each unit of the largest second difference, and of the largest sample, among those weighed.
    """
    left, right = np.eye(2 * REACH)[REACH - 1 : REACH + 1]
    values = np.vstack([left, weights, right])
    before, part = np.divmod(np.arange(RATIO), step)
    share = part[:, np.newaxis] / step
    bent = values[:-1] - (1 - share) * values[before * step] - share * values[(before + 1) * step]
    # What is left of the slope's weight goes to the two samples in the middle, a first difference.
    slope = bent @ np.arange(2 * REACH)
    bent += np.outer(slope, left - right)
    per_bend = np.abs(bent.cumsum(axis=1).cumsum(axis=1)).sum(axis=1).max()
    return float(per_bend), float(2 * np.abs(slope).max())


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
        #: Above the line between samples, and between those and what is half-way.
        self._above_line = [
            [1.0001 * part for part in bend_bound(weights, step)] for step in (RATIO, _HALF_WAY)
        ]
        # One matrix turns a stretch with its surroundings into all the values between its samples.
        matrix = np.zeros((STRETCH + 2 * REACH - 1, STRETCH, RATIO - 1), dtype=np.float32)
        for sample in range(STRETCH):
            matrix[sample : sample + 2 * REACH, sample, :] = weights.T
        self._matrix = matrix.reshape(len(matrix), -1)
        self._half_way = np.ascontiguousarray(matrix[:, :, _HALF_WAY - 1])
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
        cut = windows[tracks, starts - STRETCH]
        enough = (self._peaks[tracks] / self._gain_bound).astype(np.float32)
        loud = _any_of_each(np.abs(cut, out=cut) > enough[:, np.newaxis], STRETCH)
        row, stretch = np.nonzero(loud[:, :-2] | loud[:, 1:-1] | loud[:, 2:])
        self._oversample(samples, tracks[row], starts[row] + stretch * STRETCH)

    def _oversample(self, samples: Samples, tracks: NDArray[np.intp], starts: NDArray[np.intp]) -> None:
        """Oversample the given stretches, as far as the second bound lets them rise above what there is."""
        windows = np.lib.stride_tricks.sliding_window_view(samples, len(self._matrix), axis=1)
        for first in range(0, len(tracks), _ROWS_AT_ONCE):
            of_row = tracks[first : first + _ROWS_AT_ONCE]
            rows = windows[of_row, starts[first : first + _ROWS_AT_ONCE] - REACH + 1]
            own, (above, above_half_way) = self._bounds(rows)
            left = own + above > self._peaks[of_row]
            self._raise(rows[left], of_row[left], own[left], above_half_way[left])

    def _bounds(self, rows: Samples) -> tuple[Samples, list[Samples]]:
        """Largest sample of each stretch, given with its surroundings, and what lies above lines at most."""
        across = np.ascontiguousarray(rows.T)  # numpy is slow at the largest of a few
        bend = across[2:] - across[1:-1]
        bend -= across[1:-1]
        bend += across[:-2]
        np.abs(across, out=across)
        own = across[REACH - 1 : REACH + STRETCH].max(axis=0)
        largest, steepest = across.max(axis=0), np.abs(bend, out=bend).max(axis=0)
        return own, [per_bend * steepest + per_sample * largest for per_bend, per_sample in self._above_line]

    def _raise(self, rows: Samples, tracks: NDArray[np.intp], own: Samples, above: Samples) -> None:
        half_way = np.abs(rows @ self._half_way).max(axis=1)
        np.maximum.at(self._peaks, tracks, half_way.astype(np.float64))
        left = np.maximum(half_way, own) + above > self._peaks[tracks]
        tracks, between = tracks[left], rows[left] @ self._matrix
        highest = np.abs(between, out=between).max(axis=1)
        np.maximum.at(self._peaks, tracks, highest.astype(np.float64))


def _any_of_each(found: NDArray[np.bool_], count: int) -> NDArray[np.bool_]:
    """Whether any of so many in a row is true (a multiple of eight, which are looked at as one number)."""
    words = found.view(np.uint64).reshape(len(found), -1, count // 8)
    told = words[:, :, 0].copy()
    for place in range(1, count // 8):
        told |= words[:, :, place]
    return np.asarray(told != 0)
