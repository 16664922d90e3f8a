"""Promised and had gains, against the closed form of the sum of a sound and its delayed copy."""

import numpy as np
import pytest

from polaritykit.curves import encode, pair_entry
from polaritykit.promise import kept_gains, kept_text
from polaritykit.records import PairSpectra

#: 40 to 2000 Hz in fine steps.
FREQUENCY_HZ = np.arange(40.0, 2_000.5, 0.5)
GRID = {"start": 40.0, "step": 0.5, "count": FREQUENCY_HZ.size}


def document(*, offset_ms, sign, band_hz=(490.0, 510.0)):
    """Return a document of one pair: b is a, late by the offset, with the sign."""
    flat = np.ones(FREQUENCY_HZ.size)
    cross = sign * np.exp(-2j * np.pi * FREQUENCY_HZ * offset_ms * 1e-3)
    spectra = PairSpectra(frequency_hz=FREQUENCY_HZ, auto_a=flat, auto_b=flat, cross=cross)
    entry = pair_entry("a", "b", spectra=spectra, aligned_ms=offset_ms, correlation=np.zeros(3))
    return {
        "pairs": [{"reference": "a", "other": "b", "sources": [{"home": "a", "band_hz": list(band_hz)}]}],
        "curves": {
            "frequency_hz": GRID,
            "lag_ms": {"start": -1.0, "step": 1.0, "count": 3},
            "tracks": {"a": encode(flat), "b": encode(flat)},
            "pairs": [entry],
        },
    }


def level_db(offset_ms, sign):
    """Level of the sum against the power sum at 490–510 Hz: 10·log10(1 + sign·mean cos ωτ)."""
    f = FREQUENCY_HZ[(FREQUENCY_HZ >= 490) & (FREQUENCY_HZ <= 510)]
    return 10 * np.log10(1 + sign * np.mean(np.cos(2 * np.pi * f * offset_ms * 1e-3)))


@pytest.mark.parametrize("offset_ms", [0.3, 1.7])
@pytest.mark.parametrize("sign", [1, -1])
def test_promise_and_result(offset_ms, sign):
    """Delaying a by the offset and righting the polarity brings the two together: +3.01 dB."""
    applied = [
        {"name": "a", "invert": sign < 0, "delay_ms": offset_ms},
        {"name": "b", "invert": False, "delay_ms": 0.0},
    ]
    (gain,) = kept_gains(document(offset_ms=offset_ms, sign=sign), document(offset_ms=0.0, sign=1), applied)

    expected = 10 * np.log10(2) - level_db(offset_ms, sign)
    assert gain.promised_db == pytest.approx(expected, abs=0.01)
    assert gain.had_db == pytest.approx(expected, abs=0.01)


def test_a_promise_that_was_not_kept():
    """Copies that were not corrected show no gain, whatever was promised."""
    before = document(offset_ms=0.0, sign=-1)
    before["curves"]["pairs"][0]["cross"] = encode(-0.9 * np.exp(0j * FREQUENCY_HZ))
    applied = [{"name": "b", "invert": True, "delay_ms": 0.0}]
    (gain,) = kept_gains(before, before, applied)

    assert gain.promised_db == pytest.approx(10 * np.log10(1.9 / 0.1), abs=0.01)
    assert gain.had_db == pytest.approx(0.0, abs=1e-9)
    assert "worst 12.8 dB off" in kept_text((gain,))
    assert "promised +12.8 dB, had +0.0 dB" in kept_text((gain,))


def test_pairs_moved_together_are_left_out():
    """A pair whose tracks got the same setting promises nothing (a linked pair, or nothing at all)."""
    moved = [{"name": name, "invert": True, "delay_ms": 2.0} for name in ("a", "b")]
    pair = document(offset_ms=1.0, sign=1)

    assert kept_gains(pair, pair, moved) == ()
    assert kept_gains(pair, pair, []) == ()
    assert kept_text(()) == "No pair was changed whose gain could be measured again."
