"""Frames read around, their windowed spectra, and how much of one track another explains in them.

Conventions: as in `polaritykit.sustained.phase_curve`.
"""

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hann import BINS_ALIKE
from polaritykit.base.types import Complexes, Recording, Samples
from polaritykit.base.windows import over_windows

#: Neighbouring bins averaged where what one track explains of another may be faint.
_NEIGHBOURS = 9


def read_frames(
    recording: Recording, frames: NDArray[np.int64], size: int, margin: int, tracks: tuple[int, ...]
) -> Samples:
    """Read frames of some tracks with a margin at both ends.

    Parameters
    ----------
    recording : Recording
    frames : ndarray of int
        Places in the take, in frames.
    size, margin : int
        Samples.
    tracks : tuple of int

    Returns
    -------
    ndarray, shape (n_frames, n_tracks, size + 2·margin)
    """
    found = np.empty((len(frames), len(tracks), size + 2 * margin), dtype=np.float32)

    def put(row: int, sound: Samples) -> None:
        found[row] = sound

    windows = [(at * size - margin, (at + 1) * size + margin) for at in frames.tolist()]
    over_windows(put, recording, windows, tracks, in_place=True)
    return found


def spectra_of(frames: Samples, size: int, start: int = 0) -> Complexes:
    """Hann-windowed spectra along the last axis.

    Parameters
    ----------
    frames : ndarray, shape (..., n_samples)
    size : int
        Samples of the window.
    start : int
        Its first sample.

    Returns
    -------
    ndarray of complex, shape (..., size // 2 + 1)
    """
    from scipy.fft import rfft

    # In single precision: its rounding lies far below any noise of a converter.
    return np.asarray(rfft(frames[..., start : start + size] * _window(size), axis=-1))


@cache
def _window(size: int) -> Samples:
    return np.hanning(size + 2)[1:-1].astype(np.float32)


def explained_db(windows_a: Samples, windows_b: Samples, left_s: float, sample_rate_hz: int) -> float:
    """Share of b's power that a explains, dB, in windows aligned but for a rest of the offset.

    Parameters
    ----------
    windows_a, windows_b : ndarray, shape (n_windows, size)
    left_s : float
        What is left of the offset, seconds.
    sample_rate_hz : int

    Returns
    -------
    float
    """
    size = windows_a.shape[-1]
    return explained_in(spectra_of(windows_a, size), spectra_of(windows_b, size), left_s, sample_rate_hz)


def explained_in(spectra_a: Complexes, spectra_b: Complexes, offset_s: float, sample_rate_hz: int) -> float:
    """Share of b's power that a explains in frames, dB (coherence by power, chance taken off).

    With the offset turned back neighbouring bins are averaged too: n frames alone explain 1/n by
    chance, which hides what is fainter than -20 dB.

    Parameters
    ----------
    spectra_a, spectra_b : ndarray of complex, shape (n_frames, n_bins)
    offset_s : float
        Of b, seconds.
    sample_rate_hz : int

    Returns
    -------
    float
    """
    from scipy.ndimage import uniform_filter1d

    n, n_bins = spectra_a.shape
    turn = np.exp(1j * np.pi * np.arange(n_bins) / (n_bins - 1) * sample_rate_hz * offset_s)
    cross = np.mean(np.conj(spectra_a) * spectra_b, axis=0) * turn
    power_a, power_b = (np.mean(np.abs(x) ** 2, axis=0) for x in (spectra_a, spectra_b))
    size = uniform_filter1d(cross.real, _NEIGHBOURS) ** 2 + uniform_filter1d(cross.imag, _NEIGHBOURS) ** 2
    smooth_b = uniform_filter1d(power_b, _NEIGHBOURS)
    raw = size / np.maximum(uniform_filter1d(power_a, _NEIGHBOURS) * smooth_b, 1e-300)
    # A Hann window's neighbouring bins: so many of nine are independent (closed form: 35/18 bins alike).
    chance = 1.0 / max(1.0, n * _NEIGHBOURS / BINS_ALIKE)
    share = float(np.sum((raw - chance) * smooth_b)) / max(float(np.sum(smooth_b)), 1e-300)
    return 10 * math.log10(max(share, 0.1 * chance))
