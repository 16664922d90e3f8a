"""Types that every stage shares: a recording that is read in blocks, signs, arrays.

Conventions: `Samples` are full scale 1.0, shape (n_tracks, n_samples) in blocks.
"""

from collections.abc import Callable, Iterator
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

#: A document, or part of one: what JSON holds.
Json = dict[str, Any]
Polarity = Literal["same", "inverted", "unclear"]


Floats = NDArray[np.float64]


Samples = NDArray[np.float32]


#: Samples of a block, where nothing speaks for another size: a second or three, some megabytes of 24 tracks.
BLOCK_SAMPLES = 1 << 17

#: Called with a stage and the share of it done.
Progress = Callable[[str, float], None]


class Recording(Protocol):
    """A session's audio, all tracks on one clock; the only way computation sees sound."""

    @property
    def sample_rate_hz(self) -> int:
        """Common sample rate."""

    @property
    def track_names(self) -> tuple[str, ...]:
        """Names in session order."""

    @property
    def n_samples(self) -> int:
        """Length of the span that is looked at."""

    def read(self, start: int, stop: int, tracks: tuple[int, ...] | None = None) -> Samples:
        """Read samples ``[start, stop)`` as ``(n_tracks, stop - start)``; zeros outside the span.

        Parameters
        ----------
        start, stop : int
            Samples of the session; places outside the span read as zeros.
        tracks : tuple of int, optional
            Rows wanted, in session order; all when left out.
        """

    def blocks(self, block_samples: int) -> Iterator[tuple[int, Samples]]:
        """Yield ``(start, samples)`` over the whole span once; the last block may be shorter."""


def read_only(array: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the array with writing switched off."""
    array.setflags(write=False)
    return array


Complexes = NDArray[np.complex128]
