"""A recording whose tracks are read each at a time of its own, and what is found there as it was recorded.

Conventions: ``late_samples`` says how much later than the common time a track is read; shape (n_tracks,).
"""

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Recording, Samples
from polaritykit.struck.onsets import Onsets


class ShiftedRecording:
    """A recording with each track earlier by whole samples, for reads of short stretches.

    `blocks` is the recording's own.
    """

    def __init__(self, recording: Recording, late_samples: NDArray[np.int64]) -> None:
        self._recording = recording
        self._late = tuple(late_samples.tolist())
        self.track_names = recording.track_names
        self.sample_rate_hz = recording.sample_rate_hz
        self.n_samples = recording.n_samples
        self.blocks = recording.blocks

    def read(self, start: int, stop: int, tracks: tuple[int, ...] | None = None) -> Samples:
        """Return common times ``[start, stop)`` of the given rows.

        Parameters
        ----------
        start, stop : int
            Samples of the common time; places outside the span read as zeros.
        tracks : tuple of int, optional
            Rows wanted, in session order; all when left out.
        """
        rows = tuple(range(len(self.track_names))) if tracks is None else tracks
        late = [self._late[row] for row in rows]
        first, last = min(late), max(late)
        # One read of all rows and a little more: files are decoded once.
        wide = self._recording.read(start + first, stop + last, rows)
        return np.stack(
            [row[at - first : at - first + stop - start] for row, at in zip(wide, late, strict=True)]
        )


def shifted_onsets(onsets: Onsets, late_samples: NDArray[np.int64]) -> Onsets:
    """Onsets at the common time.

    Parameters
    ----------
    onsets : Onsets
        As recorded.
    late_samples : ndarray of int, shape (n_tracks,)
    """
    shifted = onsets.copy()
    shifted["sample"] -= late_samples[onsets["track"]]
    return shifted
