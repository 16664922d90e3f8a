"""Windows of one source's hits to a signed vote for every pair of tracks.

The sign is read twice by different means: a normalised correlation of the first milliseconds, hit by
hit, in the band where near and far mics agree; and the averaged, whitened, bounded votes.

Conventions
-----------
A positive sign for (a, b) says that the two hear this source with the same polarity at their arrivals.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, read_only
from polaritykit.struck.first_arrival import Arrivals
from polaritykit.struck.pair_correlation import pair_correlations

#: Gate of the sign: this much before the first arrival ...
_BEFORE_MS = 0.3
#: ... to this much after it: the direct sound, before most reflections.
_AFTER_MS = 2.5
#: Search around the arrival difference: the pick's own error.
SEARCH_MS = 0.4
#: Band of the sign: above it near and far mics disagree, below it the gate holds no period.
_BAND_HZ = (100.0, 3000.0)
#: Gate of the second opinion, on the averaged votes.
_VOTES_BEFORE_MS = 0.2
_VOTES_AFTER_MS = 1.2
_VOTES_SEARCH_MS = 0.15

#: A filter has rung out to a double's rounding after so many periods of its lowest edge (its slowest pole
#: falls by e every 0.23 of them: second order, a band of several octaves), and so many samples where the
#: edge is near half the rate.
_SETTLED_PERIODS, _SETTLED_SAMPLES = 10.0, 256


@dataclass(frozen=True, kw_only=True)
class HitSigns:
    """Signs of one source for all pairs; arrays (n_tracks, n_tracks), [a, b]."""

    #: Mean over hits of the signed correlation of the direct sound at its best lag.
    correlation: Floats
    #: Signed correlation of the averaged votes.
    votes: Floats


def band_pass(windows: Floats, band_hz: tuple[float, float], sample_rate_hz: int) -> Floats:
    """Causal second-order Butterworth band-pass along the last axis.

    Parameters
    ----------
    windows : ndarray, shape (..., n_samples)
    band_hz : tuple of float
    sample_rate_hz : int
    """
    low, high = (math.tan(math.pi * edge / sample_rate_hz) for edge in band_hz)

    def bent(omega: Floats) -> Floats:
        return (omega**2 - low * high) / ((high - low) * omega)

    return _butterworth(windows, 2, bent, round(_SETTLED_PERIODS * sample_rate_hz / band_hz[0]))


def low_pass(windows: NDArray[np.floating], top_hz: float, sample_rate_hz: int) -> Floats:
    """Causal fourth-order Butterworth low-pass along the last axis; as it is where the rate leaves no room.

    Near the end of the band converters ring *before* the sound (linear-phase filters); a near mic would be
    picked at that ringing, a far one not.

    Parameters
    ----------
    windows : ndarray, shape (..., n_samples)
    top_hz : float
    sample_rate_hz : int
    """
    if top_hz >= 0.45 * sample_rate_hz:
        return windows.astype(np.float64)
    top = math.tan(math.pi * top_hz / sample_rate_hz)
    settled = round(_SETTLED_PERIODS * sample_rate_hz / top_hz)
    return _butterworth(windows, 4, lambda omega: omega / top, settled)


def _butterworth(
    windows: NDArray[np.floating], order: int, bent: Callable[[Floats], Floats], settled: int
) -> Floats:
    """Filter by the response of the bilinear transform in closed form, once the filter has rung out.

    As `scipy.signal.butter` and `sosfilt` to rounding; importing these takes as long as checking a short
    session.  ``bent`` maps the warped frequency tan(π·f/rate) to that of the low-pass prototype, whose poles
    lie evenly on the left half of the unit circle.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    n = windows.shape[-1]
    size = next_fast_len(n + settled + _SETTLED_SAMPLES, real=True)
    omega = np.tan(np.pi * np.maximum(np.arange(size // 2 + 1), 1e-9) / size)
    poles = np.exp(1j * np.pi * (2 * np.arange(order) + order + 1) / (2 * order))
    response = 1.0 / np.prod(1j * bent(omega)[:, None] - poles, axis=1)
    filtered = np.empty(windows.shape)
    for index in np.ndindex(windows.shape[:-2]):
        spectrum = rfft(windows[index].astype(np.float64), size, axis=-1)
        filtered[index] = irfft(spectrum * response, size, axis=-1)[..., :n]
    return filtered


def read_signs(windows: Floats, zero: int, arrivals: Arrivals, sample_rate_hz: int) -> HitSigns:
    """Read the sign of every pair from the windows of one source's hits.

    Parameters
    ----------
    windows : ndarray, shape (n_hits, n_tracks, n_samples)
    zero : int
        Sample of the reference time.
    arrivals : Arrivals
    sample_rate_hz : int

    Returns
    -------
    HitSigns
    """

    def samples(milliseconds: float) -> int:
        return round(milliseconds * 1e-3 * sample_rate_hz)

    picks = zero + np.round(arrivals.arrival_s * sample_rate_hz).astype(np.int64)
    direct = pair_correlations(
        (band_pass(hit, _BAND_HZ, sample_rate_hz) for hit in windows),
        picks,
        before=samples(_BEFORE_MS),
        length=samples(_BEFORE_MS + _AFTER_MS),
        reach=samples(SEARCH_MS),
    )
    votes = pair_correlations(
        [arrivals.votes],
        picks,
        before=samples(_VOTES_BEFORE_MS),
        length=samples(_VOTES_BEFORE_MS + _VOTES_AFTER_MS),
        reach=samples(_VOTES_SEARCH_MS),
    )
    return HitSigns(correlation=read_only(_largest(direct)), votes=read_only(_largest(votes)))


def _largest(curves: Floats) -> Floats:
    """Value of largest size along the last axis, sign kept."""
    at = np.argmax(np.abs(curves), axis=-1)[..., None]
    return np.asarray(np.take_along_axis(curves, at, axis=-1)[..., 0])
