"""The stored curves: what grouping the bins keeps, and what it costs."""

import base64

import numpy as np
import pytest

from polaritykit.spectra.pair_sum import log_bands, sum_level_db, summed_response
from polaritykit.spectra.pool import SpectrumPool
from polaritykit.spectra.stored import (
    bands_entry,
    encode,
    group_centres,
    group_starts,
    grouped_power,
    pair_entry,
    stored_bands,
    stored_pair,
)

RATE = 48_000


def _pooled(audio, size=8192):
    pool = SpectrumPool(len(audio), RATE, size)
    pool.update(audio)
    return pool.result()


def _document_curves(spectra, aligned_ms):
    starts = group_starts(spectra.frequency_hz)
    centres = group_centres(spectra.frequency_hz, starts)
    entry = pair_entry(
        "a", "b", spectra=spectra.pair(0, 1), starts=starts, aligned_ms=aligned_ms, correlation=np.zeros(3)
    )
    return {
        "frequency_hz": list(centres),
        "lag_ms": {"start": -1.0, "step": 1.0, "count": 3},
        "bands": bands_entry(log_bands(centres)),
        "tracks": {
            name: encode(grouped_power(power, starts))
            for name, power in zip("ab", spectra.power, strict=True)
        },
        "pairs": [entry],
    }


def _late(signal, samples):
    """Delay by a phase ramp: a fraction of a sample is exact."""
    frequency = np.fft.rfftfreq(len(signal))
    return np.fft.irfft(np.fft.rfft(signal) * np.exp(-2j * np.pi * frequency * samples), len(signal))


@pytest.fixture(scope="module")
def pair():
    """Two sources that reach b 1.5 ms late and 2 ms early; b has its own noise."""
    rng = np.random.default_rng(5)
    one, two, own = rng.standard_normal((3, 600_000))
    a = one + 0.5 * two
    b = 0.6 * _late(one, 72.4) - 0.3 * _late(two, -96.0) + 0.1 * own
    return _pooled(np.stack([a, b]).astype(np.float32))


def test_aligned_before_it_is_added_up():
    """10 ms late: within a group at 15 kHz the phase turns; aligned first, the power is kept."""
    noise = np.random.default_rng(3).standard_normal(400_480).astype(np.float32)
    curves = _document_curves(_pooled(np.stack([noise[480:], noise[:-480]]), 4096), 10.0)
    raw = np.frombuffer(base64.b64decode(curves["pairs"][0]["cross"]), "<f4")
    aligned = raw[0::2] + 1j * raw[1::2]
    power = [np.frombuffer(base64.b64decode(curves["tracks"][name]), "<f4") for name in "ab"]
    ratio = aligned / np.sqrt(power[0] * power[1])
    # The Hann windows of the two tracks lie 480 of 4096 samples apart: their correlation is 0.93.
    window = np.hanning(4097)[:-1]
    overlap = np.sum(window[480:] * window[:-480]) / np.sum(window**2)

    assert ratio.real.mean() == pytest.approx(overlap, abs=0.01)
    assert abs(ratio.imag.mean()) < 0.01


@pytest.mark.parametrize("delay_ms", [0.0, -1.508, 2.0, 4.0])
@pytest.mark.parametrize("invert", [False, True])
def test_stored_curve_is_the_measured_one(pair, delay_ms, invert):
    """The curve from the stored groups lies near the one from all bins, and so do band levels."""
    stored = stored_pair(_document_curves(pair, 1.508), _document_curves(pair, 1.508)["pairs"][0])
    curves = _document_curves(pair, 1.508)
    full_bands = log_bands(pair.frequency_hz)
    full = summed_response(pair.pair(0, 1), full_bands, delay_ms=delay_ms, invert=invert)
    small_bands = stored_bands(curves)
    small = summed_response(stored.spectra, small_bands, delay_ms=delay_ms, invert=invert)
    there = np.interp(np.log(full_bands.centre_hz), np.log(small_bands.centre_hz), small)
    off = np.abs(there - full)

    assert np.percentile(off, 95) < 0.5
    for band_hz in ((60.0, 250.0), (150.0, 6000.0), (3000.0, 14_000.0)):
        assert sum_level_db(
            stored.spectra, band_hz=band_hz, delay_ms=delay_ms, invert=invert
        ) == pytest.approx(
            sum_level_db(pair.pair(0, 1), band_hz=band_hz, delay_ms=delay_ms, invert=invert), abs=0.1
        )


def test_single_bins_where_they_lie_far_apart(pair):
    """Nothing is lost where a bin is wider than a 192nd of an octave, 1.6 kHz here; no bin is used twice."""
    starts = group_starts(pair.frequency_hz)
    step = pair.frequency_hz[1]

    assert starts[: int(1600 / step)] == tuple(range(int(1600 / step)))
    assert grouped_power(pair.power[0], starts).sum() == pytest.approx(pair.power[0].sum())
    assert len(starts) < len(pair.frequency_hz) / 3
