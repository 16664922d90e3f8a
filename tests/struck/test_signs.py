"""Filters of the sign against SciPy's design and recursion, which the closed form stands for."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from polaritykit.struck.signs import band_pass, low_pass


@pytest.mark.parametrize("rate", [22_050, 44_100, 96_000])
@pytest.mark.parametrize("band_hz", [(100.0, 3000.0), (400.0, 1500.0)])
def test_filters_are_those_of_scipy(rate, band_hz):
    """To a billionth of the largest value, the start of the windows included."""
    windows = np.random.default_rng(1).standard_normal((2, 3, 4001))
    windows[..., -300:] *= 100.0
    wanted = sosfilt(butter(2, band_hz, btype="bandpass", fs=rate, output="sos"), windows, axis=-1)
    for first in (0, 500, 4000):
        found = band_pass(windows, band_hz, rate, first=first)
        assert np.abs(found - wanted[..., first:]).max() < 1e-9 * np.abs(wanted).max()
    wanted = sosfilt(butter(4, 6000.0, btype="lowpass", fs=rate, output="sos"), windows[0], axis=-1)
    assert np.abs(low_pass(windows[0], 6000.0, rate) - wanted).max() < 1e-9 * np.abs(wanted).max()
