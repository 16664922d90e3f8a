"""Phases of delays by short lists of exponentials, against exp itself."""

import numpy as np
import pytest

from polaritykit.base.turns import turns
from polaritykit.base.types import Floats
from polaritykit.spectra.stored import group_centres, group_starts


@pytest.mark.parametrize(
    "frequency_hz",
    [
        np.arange(3414) * 5.859375,
        np.arange(3414)[100:2000] * 5.859375,
        np.arange(4) * 11.0,
        np.array([1000.0]),
        np.zeros(0),
        # Not even, and still right: bins in groups, and two that repeat.
        group_centres(np.arange(3414) * 5.859375, group_starts(np.arange(3414) * 5.859375)),
        np.array([5.0, 5.0, 5.0]),
    ],
)
def test_the_phase_is_that_of_the_exponential(frequency_hz: Floats) -> None:
    """All grids."""
    late_s = np.array([[0.0, 1e-3, -0.02], [1.0, 3.7e-5, -1e-9]])
    expected = np.exp(-2j * np.pi * late_s[..., None] * frequency_hz)
    # Double precision of 2πfτ, of some 10⁵ rad.
    np.testing.assert_allclose(turns(frequency_hz, late_s), expected, rtol=0.0, atol=1e-10)
    np.testing.assert_allclose(turns(frequency_hz, 1e-3), expected[0, 1], rtol=0.0, atol=1e-12)
    assert turns(frequency_hz, np.zeros(0)).shape == (0, len(frequency_hz))
