"""Promised and had gains, against the closed form of the sum of a sound and its delayed copy."""

import numpy as np
import pytest

from polaritykit.jobs.apply.gains import Measured, OctaveGain, PairGain, octave_gains, pair_gains
from polaritykit.jobs.apply.measure_again import MeasuredAgain, Remaining
from polaritykit.jobs.apply.text import measured_again_text
from polaritykit.spectra.pool import Spectra

#: 0 to 2000 Hz in fine steps.
FREQUENCY_HZ = np.arange(0.0, 2_000.5, 0.5)
BAND_HZ = (490.0, 510.0)
PAIRS = [{"reference": "a", "other": "b", "sources": [{"home": "a", "band_hz": list(BAND_HZ)}]}]


def tracks(*, offset_ms, sign, coherence=1.0):
    """Spectra of two equal tracks: b is a, late by the offset, with the sign."""
    cross = coherence * sign * np.exp(-2j * np.pi * FREQUENCY_HZ * offset_ms * 1e-3)
    matrix = np.ones((FREQUENCY_HZ.size, 2, 2), complex)
    matrix[:, 0, 1], matrix[:, 1, 0] = cross, cross.conj()
    spectra = Spectra(
        sample_rate_hz=48_000,
        fft_size=96_000,
        frequency_hz=FREQUENCY_HZ,
        power=np.ones((2, FREQUENCY_HZ.size)),
        matrix=matrix,
        n_frames=100,
    )
    return Measured(names=("a", "b"), spectra=spectra)


def level_db(offset_ms, sign, low=490.0, high=510.0):
    """Level of the sum against the power sum in a band: 10·log10(1 + sign·mean cos ωτ)."""
    f = FREQUENCY_HZ[(low <= FREQUENCY_HZ) & (high >= FREQUENCY_HZ)]
    return 10 * np.log10(1 + sign * np.mean(np.cos(2 * np.pi * f * offset_ms * 1e-3)))


@pytest.mark.parametrize("offset_ms", [0.3, 1.7])
@pytest.mark.parametrize("sign", [1, -1])
def test_predicted_and_measured(offset_ms, sign):
    """Delaying a by the offset and righting the polarity brings the two together: +3.01 dB."""
    applied = [
        {"name": "a", "invert": sign < 0, "delay_ms": offset_ms},
        {"name": "b", "invert": False, "delay_ms": 0.0},
    ]
    before, after = tracks(offset_ms=offset_ms, sign=sign), tracks(offset_ms=0.0, sign=1)
    (gain,) = pair_gains(PAIRS, before, after, applied)

    expected = 10 * np.log10(2) - level_db(offset_ms, sign)
    assert gain.predicted_db == pytest.approx(expected, abs=0.01)
    assert gain.measured_db == pytest.approx(expected, abs=0.01)


def test_octaves_of_the_whole_sum():
    """The sum of all tracks changes as the closed form says, in the octave about 500 Hz."""
    before, after = tracks(offset_ms=0.9, sign=-1), tracks(offset_ms=0.0, sign=1)
    applied = [{"name": "a", "invert": True, "delay_ms": 0.9}]
    octave = next(item for item in octave_gains(before, after, applied) if item.centre_hz == 500.0)

    expected = 10 * np.log10(2) - level_db(0.9, -1, 500 / 2**0.5, 500 * 2**0.5)
    assert octave.predicted_db == pytest.approx(expected, abs=0.01)
    assert octave.measured_db == pytest.approx(expected, abs=0.01)
    with pytest.raises(ValueError, match="not the same"):
        octave_gains(before, Measured(names=("a", "c"), spectra=after.spectra), applied)


def test_a_prediction_that_does_not_come_true():
    """Copies that were not corrected show no gain, whatever was predicted."""
    before = tracks(offset_ms=0.0, sign=-1, coherence=0.9)
    applied = [{"name": "b", "invert": True, "delay_ms": 0.0}]
    (gain,) = pair_gains(PAIRS, before, before, applied)

    assert gain.predicted_db == pytest.approx(10 * np.log10(1.9 / 0.1), abs=0.01)
    assert gain.measured_db == pytest.approx(0.0, abs=1e-9)


def test_pairs_moved_together_are_left_out():
    """A pair whose tracks got the same setting predicts nothing (a linked pair, or nothing at all)."""
    moved = [{"name": name, "invert": True, "delay_ms": 2.0} for name in ("a", "b")]
    pair = tracks(offset_ms=1.0, sign=1)

    assert pair_gains(PAIRS, pair, pair, moved) == ()
    assert pair_gains(PAIRS, pair, pair, []) == ()


def test_the_words():
    """The worst departure comes first, and what is left is never kept quiet."""
    gain = PairGain(
        reference="a", other="b", home="a", band_hz=(490.0, 510.0), predicted_db=12.8, measured_db=0.0
    )
    octave = OctaveGain(centre_hz=500.0, predicted_db=2.0, measured_db=1.9)
    left = Remaining(name="b", invert=True, late_ms=0.5)
    text = measured_again_text(
        MeasuredAgain(gains=(gain,), octaves=(octave,), headline="", remaining=(left,))
    )

    assert "worst 12.8 dB off" in text
    assert "promised +12.8 dB, had 0.0 dB" in text
    assert "500 Hz   +2.0 dB   +1.9 dB" in text
    assert "b: inverted, 0.50 ms late" in text
    nothing = measured_again_text(MeasuredAgain(gains=(), octaves=(), headline="", remaining=()))
    assert nothing == (
        "No pair was changed whose gain could be measured again.\nChecked again: nothing is left to correct."
    )
