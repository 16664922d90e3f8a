"""Octave bands of IEC 61260-1 by their nominal centres, their bins in a spectrum, and A-weighting."""

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats

OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0)


def octave_bins(frequency_hz: Floats, centre_hz: float, octaves: float = 1.0) -> NDArray[np.bool_]:
    """Bins of an octave, or of a band of another width about its centre.

    Parameters
    ----------
    frequency_hz : ndarray
    centre_hz : float
    octaves : float
        Width of the band.

    Returns
    -------
    ndarray of bool, shape of ``frequency_hz``
    """
    return np.asarray(np.abs(np.log2(np.maximum(frequency_hz, 1e-9) / centre_hz)) <= octaves / 2)


def a_weight_power(frequency_hz: Floats) -> Floats:
    """A-weighting (IEC 61672-1, as librosa has it) as a power factor, 1 at 1 kHz.

    Examples
    --------
    >>> (10 * np.log10(a_weight_power(np.array([31.5, 100.0, 1000.0, 10000.0])))).round(1).tolist()
    [-39.5, -19.1, 0.0, -2.5]
    """
    import librosa

    # At 0 Hz it has no level; 1 Hz is as silent.
    level_db = librosa.A_weighting(np.maximum(frequency_hz, 1.0), min_db=None)
    return np.asarray(10.0 ** (level_db / 10.0), dtype=np.float64)
