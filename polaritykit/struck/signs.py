"""Windows of one source's hits to a signed vote for every pair of tracks.

The sign is read twice by different means: a normalised correlation of the first milliseconds, hit by
hit, in the band where near and far mics agree; and the averaged, whitened, bounded votes.

Conventions
-----------
A positive sign for (a, b) says that the two hear this source with the same polarity at their arrivals.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Complexes, Floats, read_only
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

#: A filter has rung out (to 10⁻¹³) after so many periods of its lowest edge (its slowest pole falls by e
#: every 0.23 of them: second order, a band of several octaves), and so many samples where the edge is near
#: half the rate.
_SETTLED_PERIODS, _SETTLED_SAMPLES = 7.0, 256


@dataclass(frozen=True, kw_only=True)
class HitSigns:
    """Signs of one source for all pairs; arrays (n_tracks, n_tracks), [a, b]."""

    #: Mean over hits of the signed correlation of the direct sound at its best lag.
    correlation: Floats
    #: Signed correlation of the averaged votes.
    votes: Floats


def band_pass(
    windows: Floats, band_hz: tuple[float, float], sample_rate_hz: int, *, first: int = 0
) -> Floats:
    """Causal second-order Butterworth band-pass along the last axis.

    Parameters
    ----------
    windows : ndarray, shape (..., n_samples)
    band_hz : tuple of float
    sample_rate_hz : int
    first : int
        Only what comes out from this sample on is wanted, which takes a shorter transform.

    Returns
    -------
    ndarray, shape (..., n_samples - first)
    """
    settled = round(_SETTLED_PERIODS * sample_rate_hz / band_hz[0])
    return _butterworth(windows, band_hz, sample_rate_hz, settled=settled, first=first)


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
    settled = round(_SETTLED_PERIODS * sample_rate_hz / top_hz)
    return _butterworth(windows, (None, top_hz), sample_rate_hz, settled=settled)


def _butterworth(
    windows: NDArray[np.floating],
    band_hz: tuple[float | None, float],
    sample_rate_hz: int,
    *,
    settled: int,
    first: int = 0,
) -> Floats:
    """Filter by `_response`, once the filter has rung out: what goes round the transform ends before `first`.

    As `scipy.signal.butter` and `sosfilt` to rounding; importing these takes as long as checking a short
    session.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    n = windows.shape[-1]
    size = next_fast_len(n + max(settled + _SETTLED_SAMPLES - first, 0), real=True)
    response = _response(size, band_hz, sample_rate_hz)
    filtered = np.empty((*windows.shape[:-1], n - first))
    for index in np.ndindex(windows.shape[:-2]):
        spectrum = rfft(windows[index].astype(np.float64, copy=False), size, axis=-1)
        spectrum *= response
        filtered[index] = irfft(spectrum, size, axis=-1, overwrite_x=True)[..., first:n]
    return filtered


@lru_cache(maxsize=8)
def _response(size: int, band_hz: tuple[float | None, float], sample_rate_hz: int) -> Complexes:
    """Response of the bilinear transform in closed form: second-order band-pass, or fourth-order low-pass.

    The warped frequency tan(π·f/rate) is mapped to that of the low-pass prototype, whose poles lie evenly on
    the left half of the unit circle.
    """
    omega = np.tan(np.pi * np.maximum(np.arange(size // 2 + 1), 1e-9) / size)
    low, high = (math.tan(math.pi * (edge or 0.0) / sample_rate_hz) for edge in band_hz)
    order, bent = (2, (omega**2 - low * high) / ((high - low) * omega)) if low else (4, omega / high)
    poles = np.exp(1j * np.pi * (2 * np.arange(order) + order + 1) / (2 * order))
    response = 1.0 / np.prod(1j * bent[:, None] - poles, axis=1)
    response.flags.writeable = False
    return np.asarray(response)


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
    before, length, reach = samples(_BEFORE_MS), samples(_BEFORE_MS + _AFTER_MS), samples(SEARCH_MS)
    # Nothing after the last gate is needed, and before the first one only what still rings there.
    first = int(np.clip(picks.min() - before - reach, 0, windows.shape[-1] - 1))
    sound = windows[..., : max(int(picks.max()) - before + length + reach, first + 1)]
    direct = pair_correlations(
        band_pass(sound, _BAND_HZ, sample_rate_hz, first=first),
        picks - first,
        before=before,
        length=length,
        reach=reach,
    )
    votes = pair_correlations(
        arrivals.votes[None],
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
