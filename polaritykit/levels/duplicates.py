"""Tracks that are copies of another, up to gain and sign, in one pass over the audio.

Conventions: blocks are ``(n_tracks, n)`` float32, 1.0 is full scale.
"""

import numpy as np

from polaritykit.base.types import Samples

#: Every this many samples one goes into the search: a copy is one at any subset.  A prime, so that a tone of
#: some kilohertz is met at all of its phases, not at one or two.
_STRIDE = 31
#: A copy's correlation is within this of ±1 (-60 dB left over); two microphones never come near.
_MARGIN = 1e-6


class DuplicateFinder:
    """Adds up the products of all pairs of tracks while blocks go by.

    Parameters
    ----------
    n_tracks : int
        Number of tracks.
    """

    def __init__(self, n_tracks: int) -> None:
        self._skip = 0
        self._count = 0
        self._sums = np.zeros(n_tracks)
        self._products = np.zeros((n_tracks, n_tracks))

    def update(self, block: Samples) -> None:
        """Take in the next samples of all tracks, shape ``(n_tracks, n)``, any n."""
        some = block[:, self._skip :: _STRIDE].astype(np.float64)
        self._skip = (self._skip - block.shape[1]) % _STRIDE
        self._count += some.shape[1]
        self._sums += some.sum(axis=1)
        self._products += some @ some.T

    def originals(self, audible_power: float) -> list[int | None]:
        """Return the first earlier track that each track copies, or None.

        Parameters
        ----------
        audible_power : float
            Mean square about the mean, above which a track is compared.
        """
        count = max(1, self._count)
        mean = self._sums / count
        covariance = self._products / count - np.outer(mean, mean)
        variance = np.maximum(np.diag(covariance), 0.0)
        scale = np.sqrt(np.outer(variance, variance))
        audible = variance > audible_power
        match = np.abs(covariance) >= (1 - _MARGIN) * scale
        match &= np.outer(audible, audible)
        earlier = [np.flatnonzero(match[number, :number]) for number in range(len(mean))]
        return [int(found[0]) if len(found) else None for found in earlier]
