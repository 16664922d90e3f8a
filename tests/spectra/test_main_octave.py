"""A source's main octave: against the shift theorem."""

import numpy as np

from polaritykit.spectra.main_octave import hit_target


def test_octave_of_a_struck_tone_and_its_phase_between_tracks():
    """A decaying 130 Hz tone, inverted and 2 ms late on track 1: phase π − 2πf·2 ms (shift theorem)."""
    rate, n = 48_000, 6000
    t = np.arange(n) / rate
    tone = np.exp(-t / 0.02) * np.sin(2 * np.pi * 130 * t)
    windows = np.zeros((4, 2, n))
    windows[:, 0, 480:] = tone[:-480]
    windows[:, 1, 576:] = -tone[:-576]
    found = hit_target(windows, 0, rate, first=0)

    assert found.centre_hz == 125.0
    assert found.halves.shape[0] == 2
    turned = found.halves.sum(axis=0)[:, 0, 1] * -np.exp(2j * np.pi * found.frequency_hz * 2e-3)
    assert np.abs(np.angle(turned)).max() < 0.05
