"""How much of what two tracks share is left without the bins that the hum of the mains could fill.

Hum is common to tracks through their wiring; it says nothing of sound.

Conventions: ``bin_hz`` is the distance of two bins of a Hann-windowed spectrum; a significance is in units of
what chance gives for bins of random phase.

References
----------
Harris, F. J. (1978), Proc. IEEE 66(1), 51-83: transform of the Hann window.
"""

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hann import BINS_ALIKE, INDEPENDENT_FRAMES
from polaritykit.base.types import Complexes, Floats, Samples

_MAINS_HZ = (50.0, 60.0)
#: Lines of the mains reach up to here (common practice); a bin stands this far over what they leak into it,
#: which is followed for so many bins.
_HIGHEST_HZ = 2000.0
_LEAK_MARGIN = 10.0
_LEAK_REACH = 200
#: Bins between two lines that leave some to look at: a Hann window's own line is four wide.
_BINS_APART = 6.0


def resolved(bin_hz: float) -> bool:
    """Whether lines of the mains can be told from what lies between them."""
    return bin_hz * _BINS_APART <= min(_MAINS_HZ)


def clear_of(mains_hz: float, powers: tuple[Floats, Floats], bin_hz: float) -> NDArray[np.bool_]:
    """Bins of two tracks that no line of the mains can have filled, itself or by leaking.

    Parameters
    ----------
    mains_hz : float
        50 or 60.
    powers : tuple of ndarray, shape (n_bins,)
        Mean power of both tracks.
    bin_hz : float

    Returns
    -------
    ndarray of bool, shape (n_bins,)
    """
    n_bins = len(powers[0])
    lines = np.arange(mains_hz, min(_HIGHEST_HZ, bin_hz * (n_bins - 3)), mains_hz)
    at = np.round(lines / bin_hz).astype(np.int64)
    clear = np.ones(n_bins, dtype=bool)
    for step in (-1, 0, 1):
        clear[np.clip(at + step, 0, n_bins - 1)] = False
    for power in powers:
        clear &= power > _LEAK_MARGIN * leak(power, at)
    return clear


def leak(power: Floats, lines: NDArray[np.int64]) -> Floats:
    """Power that lines at these bins leave in all other bins through the Hann window.

    Its transform is sinc(d)/(1-d²) at a distance of d bins; the envelope of that is taken.
    """
    top = np.max([power[np.clip(lines + step, 0, len(power) - 1)] for step in (-1, 0, 1)], axis=0)
    comb = np.zeros(len(power))
    np.maximum.at(comb, lines, top)
    reach = min(_LEAK_REACH, (len(power) - 1) // 2)
    distance = np.maximum(np.abs(np.arange(-reach, reach + 1)), 1).astype(np.float64)
    kernel = np.where(distance < 2, 1.0, 1.0 / (np.pi * distance * np.maximum(distance**2 - 1, 1)) ** 2)
    return np.convolve(comb, kernel, mode="same")


def least_left(
    weight: Floats, agreement: Floats, powers: tuple[Floats, Floats], bin_hz: float
) -> tuple[float, float]:
    """Significance at one offset without the mains, and as a share of that with them.

    Parameters
    ----------
    weight : ndarray, shape (n_bins,)
    agreement : ndarray, shape (n_bins,)
        Cosine of the phase left at the offset, in units of its standard deviation by chance times √2.
    powers : tuple of ndarray
        Mean power of both tracks.
    bin_hz : float

    Returns
    -------
    tuple of float
        Of 50 and 60 Hz that which leaves less.
    """

    def significance(kept: Floats) -> float:
        return float(np.sum(kept * agreement) / max(float(np.sqrt(np.sum(kept**2) / 2)), 1e-30))

    whole = significance(weight)
    least = min(
        significance(np.where(clear_of(mains_hz, powers, bin_hz), weight, 0.0)) for mains_hz in _MAINS_HZ
    )
    return least, least / max(whole, 1e-30)


def left_in_take(
    take_a: Samples,
    take_b: Samples,
    whole: int,
    *,
    sign: int,
    sample_rate_hz: int,
    band_hz: tuple[float, float],
) -> tuple[float, float]:
    """Do the same with the longest windows of a short take, where its frames cannot tell lines apart.

    Parameters
    ----------
    take_a, take_b : ndarray, shape (n_samples,)
    whole : int
        Second track later by so many samples.
    sign : int
        Polarity.
    sample_rate_hz : int
    band_hz : tuple of float

    Returns
    -------
    tuple of float
        As `least_left`; infinite and 1 where even the whole take is too short to tell.
    """
    from scipy.ndimage import uniform_filter1d

    first, stop = max(0, -whole), min(len(take_a), len(take_a) - whole)
    size = (stop - first) // 2
    bin_hz = sample_rate_hz / max(size, 1)
    if not resolved(bin_hz):
        return np.inf, 1.0
    window = np.hanning(size + 1)[:-1]
    starts = first + np.array([0, size // 2, size])
    a, b = (
        np.stack([np.fft.rfft(take[at + shift : at + shift + size] * window) for at in starts])
        for take, shift in ((take_a, 0), (take_b, whole))
    )
    powers = np.mean(np.abs(a) ** 2, axis=0), np.mean(np.abs(b) ** 2, axis=0)
    cross: Complexes = np.mean(np.conj(a) * b, axis=0)
    width = max(3, round(100.0 / bin_hz))
    scale = np.sqrt(uniform_filter1d(powers[0], width) * uniform_filter1d(powers[1], width))
    # Whitened, the real part of the cross-spectrum of strangers has the variance 1/(2n) in each bin.
    agreement = (
        sign * cross.real / np.maximum(scale, 1e-30) * np.sqrt(INDEPENDENT_FRAMES * len(starts) / BINS_ALIKE)
    )
    frequency = np.arange(len(cross)) * bin_hz
    inside = ((frequency >= band_hz[0]) & (frequency <= band_hz[1])).astype(np.float64)
    return least_left(inside, agreement, powers, bin_hz)
