"""Phase transform between a short piece of one take and a stretch of another, at a low rate.

Every frequency between 250 Hz and 3.6 kHz counts alike, whatever its level, and no other counts at all: the
mains' strongest harmonics and what a camera's microphone does not hear stay out.

Conventions
-----------
lag
    samples; position in the stretch at which the piece begins to fit.
z
    correlation over its standard deviation for sounds that have nothing in common: with all amplitudes made
    one, N bins of random phase add up to a variance of 2N/n² (central limit theorem), whatever is played.

References
----------
Knapp, C. H. & Carter, G. C. (1976), IEEE Trans. ASSP 24(4), 320-327.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float32]
Spectrum = NDArray[np.complex64]

#: Speech, drums and instruments all sound here, and every device hears it.
LOW_RATE_HZ = 8000
_FROM_HZ, _TO_HZ = 250.0, 3600.0


def low_rate(blocks: Iterable[NDArray[np.float32]], rate_hz: float) -> Real:
    """One track at the low rate, 2 MB per minute, from its blocks.

    Parameters
    ----------
    blocks : iterable of ndarray, shape (n,)
        One track's samples in order.
    rate_hz : float
        Their rate.
    """
    import soxr

    stream = soxr.ResampleStream(rate_hz, LOW_RATE_HZ, 1, dtype="float32", quality="HQ")
    parts = [stream.resample_chunk(np.ascontiguousarray(block, dtype=np.float32)) for block in blocks]
    parts.append(stream.resample_chunk(np.zeros(0, np.float32), last=True))
    return np.concatenate(parts)


def whitened(samples: Real, size: int) -> Spectrum:
    """Spectrum with amplitude 1 inside the band and 0 outside, zero-padded to `size` samples."""
    from scipy import fft

    spectrum = fft.rfft(samples, size)
    inside = band(size)
    found = np.zeros(spectrum.shape, np.complex64)
    part = spectrum[inside]
    found[inside] = part / np.maximum(np.abs(part), np.finfo(np.float32).tiny * 1e6)
    return found


def band(size: int, *, thinned: int = 1) -> slice:
    """Bins of the band in a transform of that size."""
    per_hz = size / LOW_RATE_HZ
    return slice(int(_FROM_HZ * per_hz) + 1, int(_TO_HZ / thinned * per_hz))


def fit(stretch: Spectrum, piece: Spectrum, size: int, *, thinned: int = 1, signed: bool = False) -> Real:
    """Fit z of the piece at every lag 0 … size − 1 of the stretch (the last ones wrap round), or its size.

    Parameters
    ----------
    stretch, piece : ndarray of complex
        As `whitened` makes them, both of `size`.
    size : int
        Samples of the transforms.
    thinned : int
        Only every so many-th lag, from the lower part of the band: cheaper, and drift smears it less.
    signed : bool
        Negative where the two are upside down.
    """
    from scipy import fft

    inside, lags = band(size, thinned=thinned), size // thinned
    cross = np.zeros(lags // 2 + 1, np.complex64)
    cross[inside] = stretch[inside] * np.conj(piece[inside])
    z: Real = fft.irfft(cross, lags)
    z *= np.float32(lags / np.sqrt(2.0 * (inside.stop - inside.start)))
    return z if signed else np.abs(z, out=z)


def stretched(piece: Real, ppm: float) -> Real:
    """Return the piece as a clock sees it that runs faster by so many millionths."""
    import soxr

    if ppm == 0.0:
        return piece
    found: Real = soxr.resample(np.ascontiguousarray(piece, np.float32), 1.0, 1.0 + 1e-6 * ppm, quality="VHQ")
    return found


def vertex(values: NDArray[np.floating[Any]], at: int) -> float:
    """Place of a maximum between samples, by the parabola through it and its neighbours."""
    if not 0 < at < len(values) - 1:
        return float(at)
    before, here, after = (float(v) for v in values[at - 1 : at + 2])
    bend = before - 2.0 * here + after
    return at + (0.5 * (before - after) / bend if bend < 0 else 0.0)


def peak_between(values: Real, at: int) -> float:
    """Place of an extreme between samples, by interpolating the band-limited curve itself.

    A parabola through three samples of a band that nearly fills the rate is off by up to a tenth of a sample.
    """
    reach = 16
    near = np.arange(max(at - reach, 0), min(at + reach + 1, len(values)))
    fine = at + np.arange(-32, 33) / 32.0
    away = fine[:, None] - near
    weights = np.sinc(away) * np.cos(0.5 * np.pi * np.minimum(np.abs(away) / (reach + 1), 1.0)) ** 2
    curve = np.abs(weights @ values[near].astype(np.float64))
    top = int(curve.argmax())
    return at + (vertex(curve, top) - 32.0) / 32.0
