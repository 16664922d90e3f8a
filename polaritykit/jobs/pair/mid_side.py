"""Mid and side as left and right.

Conventions: left = mid + side, right = mid − side, at unity gain.
"""

from collections.abc import Iterator

import numpy as np

from polaritykit.base.track_names import mid_and_side
from polaritykit.base.types import Recording, Samples

_MATRIX = np.array([[1.0, 1.0], [1.0, -1.0]], np.float32)


class DecodedRecording:
    """A recording of mid and side, read as left and right.

    Parameters
    ----------
    recording : Recording
        Two tracks.
    mid : int
        Which of them is mid.
    """

    def __init__(self, recording: Recording, mid: int) -> None:
        self._recording = recording
        self._order = (mid, 1 - mid)
        names = [recording.track_names[track] for track in self._order]
        self.track_names = (f"{names[0]} + {names[1]}", f"{names[0]} − {names[1]}")
        self.sample_rate_hz = recording.sample_rate_hz
        self.n_samples = recording.n_samples

    def read(self, start: int, stop: int, tracks: tuple[int, ...] | None = None) -> Samples:
        """Read as `Recording.read` does.

        Parameters
        ----------
        start, stop : int
            Samples of the session.
        tracks : tuple of int, optional
            Left 0, right 1; both when left out.
        """
        return self._decoded(self._recording.read(start, stop), tracks)

    def blocks(self, block_samples: int) -> Iterator[tuple[int, Samples]]:
        """Yield as `Recording.blocks` does."""
        for start, samples in self._recording.blocks(block_samples):
            yield start, self._decoded(samples, None)

    def decoded_dc(self, dc: tuple[float, ...]) -> tuple[float, ...]:
        """DC of left and right from that of the two tracks."""
        return tuple(float(value) for value in _MATRIX @ np.asarray(dc)[list(self._order)])

    def _decoded(self, samples: Samples, tracks: tuple[int, ...] | None) -> Samples:
        rows = _MATRIX if tracks is None else _MATRIX[list(tracks)]
        return np.asarray(rows @ samples[list(self._order)], np.float32)


def mid_of(names: tuple[str, str], power: tuple[float, float]) -> int:
    """Tell which track is mid: by its name, else the louder (common practice, no source)."""
    named = mid_and_side(*names)
    return names.index(named[0]) if named is not None else int(power[1] > power[0])
