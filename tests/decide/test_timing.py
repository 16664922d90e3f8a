"""The offset of a pair: which source's, by which reading, and how sure."""

import numpy as np
import pytest

from polaritykit.decide import timing
from polaritykit.evidence.other_arrival import with_other


@pytest.mark.parametrize("right", [9.0, 4.0, 2.9, 1.5, 0.0])
def test_the_plus_minus_holds_95_in_100(right: float) -> None:
    """Errors drawn as supposed lie within twice the ± as often as normal ones do (Monte Carlo, 95.4 %)."""
    rng = np.random.default_rng(1)
    std_s, n = 0.04e-3, 400_000
    wrong = rng.random(n) < 1 / (1 + np.exp(right))
    error = rng.standard_normal(n) * np.where(wrong, timing._OTHER_MS * 1e-3, std_s)
    told = with_other(std_s, right, timing._OTHER_MS * 1e-3)
    assert np.mean(np.abs(error) <= 2 * told) == pytest.approx(0.9545, abs=0.002)


def test_a_reading_without_rival_has_its_own_spread() -> None:
    """Nothing is added where no other arrival is to be feared."""
    assert with_other(0.04e-3, 30.0, timing._OTHER_MS * 1e-3) == pytest.approx(0.04e-3, rel=1e-3)
