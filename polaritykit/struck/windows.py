"""Windows of one source's hits, read once: all that is asked of hits is asked of these.

Conventions: `zero` is the sample of each window at which its hit has its reference time.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Recording


@dataclass(frozen=True, kw_only=True)
class HitWindows:
    """The hits of one source on all tracks, or on some."""

    #: Shape (n_hits, n_tracks, n_samples).
    samples: Floats
    #: Reference time of each hit in the take, samples, shape (n_hits,).
    at_samples: NDArray[np.int64]
    zero: int
    sample_rate_hz: int

    @classmethod
    def cut(
        cls,
        recording: Recording,
        at_samples: NDArray[np.int64],
        *,
        lead_ms: float,
        tail_ms: float,
        tracks: tuple[int, ...] | None = None,
    ) -> "HitWindows":
        """Read the windows.

        Parameters
        ----------
        recording : Recording
        at_samples : ndarray of int, shape (n_hits,)
            Reference times.
        lead_ms, tail_ms : float
            So much before them, and after.
        tracks : tuple of int, optional
            Tracks wanted; all when left out.

        Returns
        -------
        HitWindows
        """
        rate = recording.sample_rate_hz
        zero = round(lead_ms * 1e-3 * rate)
        length = zero + round(tail_ms * 1e-3 * rate)
        starts = (at_samples - zero).tolist()
        return cls(
            samples=np.stack([recording.read(at, at + length, tracks) for at in starts], dtype=np.float64),
            at_samples=at_samples,
            zero=zero,
            sample_rate_hz=rate,
        )
