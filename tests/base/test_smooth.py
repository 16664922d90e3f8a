"""Running means against SciPy's."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from polaritykit.base.smooth import bell_mean, running_mean

VALUES = np.random.default_rng(2).standard_normal((2, 3, 150)) ** 2


@pytest.mark.parametrize("width", [1, 2, 3, 24, 25, 400])
def test_running_mean_is_that_of_scipy(width):
    """Bit for bit, odd and even, wider than the values too."""
    assert np.array_equal(running_mean(VALUES, width), uniform_filter1d(VALUES, width, mode="constant"))


@pytest.mark.parametrize("sigma", [0.4, 3.0, 60.0])
def test_bell_mean_is_that_of_scipy(sigma):
    """But for rounding, wider than the values too."""
    expected = gaussian_filter1d(VALUES, sigma, mode="constant")
    np.testing.assert_allclose(bell_mean(VALUES, sigma), expected, rtol=1e-13)
