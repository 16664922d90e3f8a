"""What is told of a pair's levels."""

import numpy as np
import pytest

from polaritykit import analyse_arrays

RATE = 48_000


@pytest.mark.parametrize("constant", [0.0, 0.2, -0.4])
def test_a_constant_voltage_is_no_level(constant):
    """Half the amplitude is 20·log10(2) = 6.02 dB lower (closed form), whatever lies under it."""
    sound = 0.1 * np.random.default_rng(3).standard_normal(4 * RATE)
    quiet = 0.5 * np.roll(sound, 40)
    (pair,) = analyse_arrays({"a": sound, "b": quiet + constant}, sample_rate_hz=RATE).pairs
    (turned,) = analyse_arrays({"a": quiet + constant, "b": sound}, sample_rate_hz=RATE).pairs

    assert pair.level_difference_db == pytest.approx(-6.02, abs=0.02)
    assert turned.level_difference_db == pytest.approx(6.02, abs=0.02)


def test_a_track_that_is_constant_has_no_level():
    """Nothing to compare."""
    sound = 0.1 * np.random.default_rng(3).standard_normal(2 * RATE)
    (pair,) = analyse_arrays({"a": sound, "b": np.full(2 * RATE, 0.25)}, sample_rate_hz=RATE).pairs

    assert pair.level_difference_db is None
