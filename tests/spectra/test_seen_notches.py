"""Predicted notches are told where the measured sum has them: closed forms of the comb (textbook)."""

import numpy as np
import pytest

from polaritykit.spectra.records import PairSpectra
from polaritykit.spectra.seen_notches import seen_notches

FREQUENCY = np.arange(4097) * (48_000 / 8192)


def _pair(cross, level=1.0):
    power = np.ones_like(FREQUENCY)
    return PairSpectra(frequency_hz=FREQUENCY, auto_a=power, auto_b=level**2 * power, cross=cross)


@pytest.mark.parametrize("late_ms", [1.25, -1.25])
@pytest.mark.parametrize("inverted", [False, True])
def test_a_copy_has_the_notches_of_the_closed_form(late_ms, inverted):
    """Odd multiples of 1/(2τ), inverted multiples of 1/τ and everything below 1/(6τ)."""
    sign = -1 if inverted else 1
    cross = sign * np.exp(-2j * np.pi * FREQUENCY * late_ms * 1e-3)
    seen = seen_notches(_pair(cross), offset_ms=late_ms, inverted=inverted, most=4)

    expected = [800.0, 1600.0, 2400.0, 3200.0] if inverted else [400.0, 1200.0, 2000.0, 2800.0]
    assert seen.notches_hz == pytest.approx(expected)
    if inverted:
        assert seen.low_end_hz == pytest.approx(800.0 / 6, abs=0.1)
    else:
        assert seen.low_end_hz is None


def test_what_the_sum_does_not_show_is_not_told():
    """Alike below 1 kHz only: higher notches are filled; at −12 dB no sum falls by 3 dB (2·0.25/1.06 < ½)."""
    delay = np.exp(-2j * np.pi * FREQUENCY * 1.25e-3)
    low = seen_notches(_pair(np.where(FREQUENCY < 1000, delay, 0)), offset_ms=1.25, inverted=False)
    faint = seen_notches(_pair(0.25 * delay, level=0.25), offset_ms=1.25, inverted=False)

    assert low.notches_hz == (400.0,)
    assert faint.notches_hz == ()


def test_the_wrong_sign_or_no_offset_tells_nothing():
    """A sum that does the opposite of the prediction is no witness for it."""
    cross = -np.exp(-2j * np.pi * FREQUENCY * 1.25e-3)

    assert seen_notches(_pair(cross), offset_ms=1.25, inverted=False).notches_hz == ()
    assert seen_notches(_pair(cross), offset_ms=None, inverted=True).low_end_hz is None
