"""Octave bands of IEC 61260-1 by their nominal centres, and their bins in a spectrum."""

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
