"""The window against SciPy's."""

import numpy as np
import pytest
from scipy.signal import get_window

from polaritykit.base.hann import periodic_hann


@pytest.mark.parametrize("size", [2, 7, 2048, 8192])
def test_window_is_that_of_scipy(size):
    """Bit for bit."""
    assert np.array_equal(periodic_hann(size), get_window("hann", size))
