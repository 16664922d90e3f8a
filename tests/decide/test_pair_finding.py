"""What is told of a pair's levels and notches."""

from dataclasses import replace

import numpy as np
import pytest

from polaritykit import analyse_arrays
from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.pair_finding import _notches

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


@pytest.mark.parametrize(
    ("std_ms", "up_to_hz"), [(0.0, 20_000.0), (0.05, 5_000.0), (0.5, 500.0), (2.0, 125.0)]
)
def test_notches_are_told_as_far_as_the_offset_is_known(std_ms: float, up_to_hz: float) -> None:
    """Odd multiples of 1/(2·4 ms) below 1/(4·std) (closed forms): half way to the next peak."""
    known = Conclusion(
        related=True,
        relation="acoustic",
        offset_s=4e-3,
        std_s=std_ms * 1e-3,
        offset_kind=None,
        polarity="same",
        confidence=1.0,
        strong=True,
        main=None,
        sources=(),
        cause=None,
    )
    told, _ = _notches(known, 4.0)
    wanted = np.arange(125.0, up_to_hz + 1.0, 250.0)[:40]
    assert told == pytest.approx(wanted)
    assert _notches(replace(known, polarity="unclear"), 4.0) == ((), None)
