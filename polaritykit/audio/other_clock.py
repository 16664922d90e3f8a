"""Sound of another recorder as a session's clock sees it: later or earlier by any time, and faster or slower.

The resampler interpolates its filter for ratios that are no fractions: −130 dB of error below a fifth of the
rate, −88 dB at 0.375 of it (measured).

Conventions: a recorder's clock is where its first sample lies on the session's time line, and how many
millionths more samples it makes than the session's clock in the same time; constant over the take.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, floor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.fractional_delay import HALF_TAPS, delay_filter

#: Input samples on either side: the resampler's impulse response reaches 104 (see `file_recording`).
_MARGIN_SAMPLES = 256


@dataclass(frozen=True, kw_only=True)
class Clock:
    """When a recorder started and how its clock runs.

    Attributes
    ----------
    start_s : float
        Place of its first sample on the session's time line, seconds; negative when it started before.
    drift_ppm : float
        Positive when its clock runs faster.
    """

    start_s: float
    drift_ppm: float = 0.0

    @property
    def pace(self) -> float:
        """Its own seconds per second of the session."""
        return 1.0 + 1e-6 * self.drift_ppm

    def own_s(self, time_s: float) -> float:
        """Time since its first sample, by its own clock, at a time of the session."""
        return (time_s - self.start_s) * self.pace

    def session_s(self, own_s: float) -> float:
        """Time of the session at a time since its first sample."""
        return self.start_s + own_s / self.pace


def read_stretched(
    read: Callable[[int, int], NDArray[Any]], *, first: float, step: float, count: int
) -> NDArray[Any]:
    """Read a recording at evenly spaced places between its samples.

    Parameters
    ----------
    read : callable
        Gives samples ``[start, stop)`` as ``(n, n_channels)``, floating point, zeros outside the recording.
    first : float
        Place of the first value, samples.
    step : float
        Distance from one value to the next, samples; above 1 the band is limited to fit.
    count : int
        How many.

    Returns
    -------
    ndarray, shape (count, n_channels)
    """
    import soxr
    from scipy.signal import oaconvolve

    margin = _MARGIN_SAMPLES + ceil((HALF_TAPS + 4) * step)
    begin = floor(first) - margin
    raw = read(begin, ceil(first + step * count) + margin)
    # The resampler's first value lies on the first sample read: what that misses of `first` is a delay.
    out = soxr.resample(raw, step, 1.0, quality="VHQ")
    place = (first - begin) / step
    whole = floor(place)
    taps = delay_filter(1.0 - (place - whole)).astype(out.dtype)
    moved = oaconvolve(out, taps[:, None], axes=0)
    return np.asarray(moved[whole + HALF_TAPS : whole + HALF_TAPS + count], raw.dtype)
