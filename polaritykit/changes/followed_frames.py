"""Frames of one pair of tracks by their phase alone: curves, weights, the lag at a peak.

Conventions: as in `polaritykit.changes.frame_lags`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Complexes, Floats


@dataclass(frozen=True, kw_only=True)
class Frames:
    """Unit cross-spectra of one pair, frame by frame."""

    #: Unit cross-spectrum of each frame, (n_frames, n_used).
    phasor: Complexes
    #: Which bins of the spectra these are.
    used: NDArray[np.bool_]
    omega: Floats
    times_s: Floats
    rate_hz: int
    #: Largest lag looked for, samples.
    reach: int

    def curves(self, phasor: Complexes, weight: Floats, reach: int) -> Floats:
        """Correlate rows of phasors, weighted bin by bin.

        Parameters
        ----------
        phasor : ndarray of complex, shape (n_rows, n_used)
        weight : ndarray, shape (n_used,)
        reach : int
            Largest lag, samples.

        Returns
        -------
        ndarray, shape (n_rows, 2·reach + 1)
        """
        from scipy.fft import irfft

        size = 2 * (len(self.used) - 1)
        spectrum = np.zeros((len(phasor), len(self.used)), dtype=complex)
        spectrum[:, self.used] = phasor * (weight / weight.sum())
        full = irfft(spectrum, size, axis=-1) * (size / 2)
        return np.concatenate([full[:, -reach:], full[:, : reach + 1]], axis=-1)

    def groups(self, n: int) -> list[NDArray[np.int64]]:
        """Give the frames in groups of neighbours in time.

        Parameters
        ----------
        n : int
            How many groups.
        """
        return np.array_split(np.arange(len(self.times_s)), n)


def weights(phasor: Complexes) -> Floats:
    """Weigh each bin by how coherent its phase is above chance, as for the pooled peak.

    Parameters
    ----------
    phasor : ndarray of complex, shape (n_frames, n_used)
    """
    return np.asarray(np.sqrt(np.maximum(np.abs(phasor.mean(axis=0)) ** 2 - 3.0 / len(phasor), 0.0)))


def nearest_lag(weighted: Complexes, omega: Floats, lag_s: float) -> float:
    """Find the maximum of Σ Re(weighted·exp(jωτ)) near a lag.

    Parameters
    ----------
    weighted : ndarray of complex, shape (n_used,)
    omega : ndarray, shape (n_used,)
        Radians a second.
    lag_s : float

    Returns
    -------
    float
        Seconds; where it started if no maximum is near.
    """
    lag = lag_s
    for _ in range(4):
        turned = weighted * np.exp(1j * omega * lag)
        bend = float(np.sum(omega**2 * turned.real))
        if bend <= 0:
            return lag_s
        lag -= float(np.sum(omega * turned.imag)) / bend
    return lag
