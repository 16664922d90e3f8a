"""Sources one by one: the phase between two tracks in short moments and single octaves.

Where one source dominates such a tile, the two tracks are in a fixed phase there: 0° or 180° for coincident
microphones, anything for spaced ones.  A histogram of those phases tells mid-side material (sources on both
sides of it) from a left-right pair.
"""

import numpy as np

from polaritykit.base.types import Floats, Samples

#: Short enough to catch sources one by one, long enough for 11 bins in the lowest octave.
_FRAME_S = 0.043
_OCTAVES_HZ = ((250.0, 500.0), (500.0, 1000.0), (1000.0, 2000.0), (2000.0, 4000.0))
#: |complex correlation| from which a tile is one source's.
_ONE_SOURCE = 0.9
#: Tiles this far under the loudest so far are not looked at.
_RANGE_DB = 30.0
#: Half width of "0 degrees" and "180 degrees".
_NEAR_DEG = 25.0


class PhaseTiles:
    """Counts the phases of one-source tiles; memory does not grow."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._size = 2 ** round(np.log2(_FRAME_S * sample_rate_hz))
        self._window = np.hanning(self._size + 1)[:-1].astype(np.float32)
        edges = np.asarray(_OCTAVES_HZ) * (self._size / sample_rate_hz)
        self._bins = [(int(np.ceil(low)), int(np.ceil(high))) for low, high in edges]
        self._loudest = np.zeros(len(_OCTAVES_HZ))
        self.same = self.inverted = self.total = 0

    def update(self, samples: Samples) -> None:
        """Look at whole frames of ``(2, n)`` samples; the rest is left out."""
        from scipy import fft

        n_frames = samples.shape[1] // self._size
        frames = samples[:, : n_frames * self._size].reshape(2, n_frames, self._size)
        left, right = fft.rfft(frames * self._window, axis=-1)
        for octave, (first, last) in enumerate(self._bins):
            a, b = left[:, first:last], right[:, first:last]
            power_a, power_b = np.sum(np.abs(a) ** 2, axis=1), np.sum(np.abs(b) ** 2, axis=1)
            level = np.sqrt(power_a.astype(np.float64) * power_b)
            self._loudest[octave] = max(self._loudest[octave], level.max(initial=0.0))
            heard = level > self._loudest[octave] * 10.0 ** (-_RANGE_DB / 10.0)
            cross = np.sum(a.conj() * b, axis=1)[heard] / level[heard]
            self._count(np.degrees(np.angle(cross[np.abs(cross) > _ONE_SOURCE])))

    def _count(self, phase_deg: Floats) -> None:
        self.total += phase_deg.size
        self.same += int(np.sum(np.abs(phase_deg) < _NEAR_DEG))
        self.inverted += int(np.sum(np.abs(phase_deg) > 180.0 - _NEAR_DEG))
