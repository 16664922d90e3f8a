"""A recording from arrays in memory, and what keeps every recording finite.

Conventions: audio is ``(n_tracks, n_samples)`` float32, full scale 1.0; positions are in samples at
the session's rate from the start of the span.  What is handed out is always finite: NaN,
infinite and absurd samples become zeros and are remembered in ``faults_met``.
"""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from polaritykit.base.errors import UsageError
from polaritykit.base.types import Samples

#: Larger samples than this are no audio (even integers stored as floats stay below 2³¹ ≈ 2·10⁹), and
#: their energy would overflow single precision.
ABSURD_SAMPLE = 4e9


class ArrayRecording:
    """A recording held in memory.

    Parameters
    ----------
    tracks : mapping of str to array_like
        Name to samples, one-dimensional floating point, full scale 1.0, all of one length.
    sample_rate_hz : int
        Common sample rate.

    Raises
    ------
    UsageError
        When an array has another shape, type or length, or the rate is not a whole positive number.
    """

    def __init__(self, tracks: Mapping[str, ArrayLike], sample_rate_hz: int) -> None:
        if not _is_rate(sample_rate_hz):
            raise UsageError(
                f"The sample rate must be a whole number of hertz above 0, not {sample_rate_hz}."
            )
        if not all(isinstance(name, str) for name in tracks):
            raise UsageError(f"Names of tracks must be text, not {next(iter(tracks))!r}.")
        arrays = {name: np.asarray(samples) for name, samples in tracks.items()}
        if not arrays:
            raise UsageError("No tracks were given; pass at least one array by name.")
        for name, array in arrays.items():
            _check_array(name, array)
        lengths = {array.size for array in arrays.values()}
        if len(lengths) > 1:
            sizes = ", ".join(f"{name}: {array.size}" for name, array in arrays.items())
            raise UsageError(f"All tracks must have one length; cut or pad them first ({sizes}).")
        self.sample_rate_hz = int(sample_rate_hz)
        self.track_names = tuple(arrays)
        self.n_samples = lengths.pop()
        self._samples = np.stack(list(arrays.values())).astype(np.float32)
        bad = make_finite(self._samples.T)
        self.faults_met = {self.track_names[row]: ("not_finite",) for row in bad}
        self._samples.setflags(write=False)

    def read(self, start: int, stop: int, tracks: tuple[int, ...] | None = None) -> Samples:
        """Return samples ``[start, stop)`` of the given rows; zeros outside the span.

        Parameters
        ----------
        start, stop : int
            Samples of the session; places outside the span read as zeros.
        tracks : tuple of int, optional
            Rows wanted, in session order; all when left out.
        """
        rows = range(len(self.track_names)) if tracks is None else tracks
        out = np.zeros((len(rows), max(stop - start, 0)), np.float32)
        first, last = max(start, 0), min(stop, self.n_samples)
        if first < last:
            out[:, first - start : last - start] = self._samples[list(rows), first:last]
        return out

    def blocks(self, block_samples: int) -> Iterator[tuple[int, Samples]]:
        """Yield ``(start, samples)`` over the whole span once."""
        for start in range(0, self.n_samples, block_samples):
            yield start, self.read(start, min(start + block_samples, self.n_samples))


def _is_rate(value: Any) -> bool:
    """Tell whether a value is a whole positive number, of Python or NumPy."""
    try:
        return bool(value > 0 and int(value) == value)
    except (TypeError, ValueError, OverflowError):
        return False


def _check_array(name: str, array: Any) -> None:
    if array.ndim != 1 or array.size == 0:
        raise UsageError(f"Track {name!r} must be one row of samples, not an array of shape {array.shape}.")
    if array.dtype.kind != "f":
        raise UsageError(f"Track {name!r} must be floating point with full scale 1.0, not {array.dtype}.")


def make_finite(frames: Samples) -> list[int]:
    """Zero what is no audio in ``(n_samples, n_channels)`` in place; return the channels it was in."""
    bad = ~(np.abs(frames) < ABSURD_SAMPLE)  # NaN compares false
    if not bad.any():
        return []
    frames[bad] = 0.0
    return [int(channel) for channel in np.flatnonzero(bad.any(axis=0))]
