"""Uncertainties told of spectra of Hann frames, against the scatter of simulated ones."""

import numpy as np
import pytest

from polaritykit.base.hann import BINS_ALIKE, INDEPENDENT_FRAMES
from polaritykit.base.octaves import octave_bins
from polaritykit.spectra.coherent_offset import coherent_weight, phase_noise_s, spectral_offset
from polaritykit.spectra.pool import SpectrumPool

RATE, SIZE = 48_000, 4096


def pooled(tracks):
    """Pool spectra of half-overlapping frames."""
    pool = SpectrumPool(2, RATE, SIZE, hop_samples=SIZE // 2)
    pool.update(np.asarray(tracks, np.float32))
    return pool.result()


def test_bins_alike_and_independent_frames_by_simulation():
    """Variance of an octave's cross-spectrum between strangers, in units of A·B/2 per bin and frame.

    Five octaves of 150 pairs: known to 5 % (one sigma).  The noise bandwidth, 1.5 bins, is 27 % less.
    """
    rng = np.random.default_rng(1)
    ratios = []
    for _ in range(150):
        spectra = pooled(rng.standard_normal((2, RATE)))
        for centre in (500.0, 1000.0, 2000.0, 4000.0, 8000.0):
            inside = octave_bins(spectra.frequency_hz, centre)
            expected = float(np.sum((spectra.power[0] * spectra.power[1])[inside])) / 2 / spectra.n_frames
            ratios.append(float(np.sum(spectra.cross(0, 1)[inside].real)) ** 2 / expected)

    assert np.mean(ratios) == pytest.approx(BINS_ALIKE / INDEPENDENT_FRAMES, rel=0.15)


@pytest.mark.parametrize("noise", [1.0, 0.3])
def test_phase_noise_is_the_scatter_of_offsets(noise):
    """One sound late by 10 samples in noise: the offsets of 150 takes scatter (6 %) as each of them tells."""
    rng = np.random.default_rng(2)
    found, told = [], []
    for _ in range(150):
        sound = rng.standard_normal(RATE)
        own = noise * rng.standard_normal((2, RATE))
        spectra = pooled([sound + own[0], np.roll(sound, 10) + own[1]])
        found.append(spectral_offset([spectra], max_offset_ms=5.0).offset_ms * 1e-3)
        told.append(phase_noise_s(spectra, coherent_weight(spectra, 0, 1), 0, 1))

    assert np.mean(found) == pytest.approx(10 / RATE, abs=4 * np.std(found) / np.sqrt(150))
    assert np.median(told) == pytest.approx(np.std(found), rel=0.11)


def test_peaks_of_strangers_stay_below_what_is_granted_to_chance():
    """Mean square of the curve over lags in units of Σw²/2: 1.76 for all bins (closed form), less for few."""
    rng = np.random.default_rng(3)
    lag_s = rng.uniform(-5e-3, 5e-3, 40)
    all_bins, counted = [], []
    for _ in range(40):
        spectra = pooled(rng.standard_normal((2, RATE)))
        turns = np.exp(2j * np.pi * np.outer(lag_s, spectra.frequency_hz))
        vectors = spectra.cross(0, 1) / np.abs(spectra.cross(0, 1))
        for weight, found in (
            (np.ones(len(vectors)), all_bins),
            (coherent_weight(spectra, 0, 1), counted),
        ):
            found.append(np.mean((turns @ (weight * vectors)).real ** 2) / (np.sum(weight**2) / 2))

    # 1600 values that are alike in groups: some 5 %.
    assert np.mean(all_bins) == pytest.approx(1.76, rel=0.15)
    assert 1.0 < np.mean(counted) < 1.5
