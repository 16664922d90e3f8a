"""Results and inputs as frozen records; units live in the names.

Conventions
-----------
offset
    ``offset_ms`` of *b* against *a* is **positive when b hears the sound later**.  Swapping the pair
    negates the offset and keeps the polarity.
polarity
    ``"same"``, ``"inverted"`` or ``"unclear"``: a sign, not a phase angle.
levels
    dB, 20·log10 of amplitude; ``dbfs`` is relative to a full-scale sample of 1.0.
arrays
    audio is ``(n_tracks, n_samples)`` float32; arrays kept in records are read-only.
not known
    ``None`` with a reason beside it, never NaN.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

Polarity = Literal["same", "inverted", "unclear"]
Floats = NDArray[np.float64]
Samples = NDArray[np.float32]


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
        """Length of the common span."""

    def read(self, start: int, stop: int, tracks: tuple[int, ...] | None = None) -> Samples:
        """Samples ``[start, stop)`` as ``(n_tracks, stop - start)``; zeros outside the span.

        ``tracks`` restricts the rows (indices in session order).
        """

    def blocks(self, block_samples: int) -> Iterator[tuple[int, Samples]]:
        """Yield ``(start, samples)`` over the whole span once; the last block may be shorter."""


def read_only(array: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the array with writing switched off."""
    array.setflags(write=False)
    return array


@dataclass(frozen=True, kw_only=True)
class TrackLevels:
    """Levels and level faults of one track."""

    peak_dbfs: float | None
    true_peak_dbtp: float | None
    rms_dbfs: float | None
    crest_db: float | None
    noise_floor_dbfs: float | None
    #: Mean of the samples as a fraction of full scale.
    dc_offset: float
    clipped_runs: int
    clipped_samples: int
    #: Mains frequency found (50 or 60), or None.
    hum_hz: float | None
    #: Level of the hum's harmonics together.
    hum_dbfs: float | None
    #: Name of an earlier track this one copies (up to gain and sign), or None.
    duplicate_of: str | None
    #: ``clipped``, ``true_peak_over``, ``silent``, ``dc_offset``, ``duplicate``, ``hum``, ``not_finite``.
    faults: tuple[str, ...]
