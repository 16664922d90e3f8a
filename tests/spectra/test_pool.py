"""Pooled spectra against scipy's Welch estimators and closed forms."""

import numpy as np
import pytest
from scipy import signal

from polaritykit.base.errors import InputError, UsageError
from polaritykit.spectra.correlation import correlation_curve
from polaritykit.spectra.pool import SpectrumPool, hop_for, pooled

RATE = 48_000


def _tracks(n_samples: int, n_tracks: int = 3) -> np.ndarray:
    """Noise shared by all tracks, delayed by 7 samples a track, plus noise of their own."""
    rng = np.random.default_rng(5)
    shared = rng.standard_normal(n_samples + 100)
    own = rng.standard_normal((n_tracks, n_samples))
    return np.stack(
        [shared[100 - 7 * k : 100 - 7 * k + n_samples] + 0.3 * (k + 1) * own[k] for k in range(n_tracks)]
    ).astype(np.float32)


def _pooled(audio, fft_size=1024, sizes=(100_000_000,), **options):
    pool = SpectrumPool(len(audio), RATE, fft_size, **options)
    start = turn = 0
    while start < audio.shape[1]:
        size = sizes[turn % len(sizes)]
        pool.update(audio[:, start : start + size])
        start, turn = start + size, turn + 1
    return pool.result()


@pytest.mark.parametrize("hop", [1024, 512])
@pytest.mark.parametrize("sizes", [(10**9,), (1, 4097, 333, 70_000)])
def test_equals_scipy(hop, sizes):
    """Same estimate as scipy.signal's csd and coherence (reference library), however the audio is cut."""
    audio = _tracks(450_000)
    spectra = _pooled(audio, sizes=sizes, hop_samples=hop, max_hz=RATE / 2)
    keywords = {"fs": RATE, "window": "hann", "nperseg": 1024, "noverlap": 1024 - hop, "detrend": False}

    assert spectra.n_frames == (450_000 - 1024) // hop + 1
    for a in range(3):
        np.testing.assert_allclose(
            spectra.power[a],
            signal.welch(audio[a].astype(float), scaling="density", **keywords)[1] * RATE / 1024,
            rtol=1e-4,
        )
        for b in range(3):
            _, expected = signal.csd(audio[a].astype(float), audio[b].astype(float), **keywords)
            scale = np.abs(expected).max()
            np.testing.assert_allclose(spectra.cross(a, b) * 1024 / RATE / scale, expected / scale, atol=1e-4)
    frequency_hz, expected = signal.coherence(audio[0].astype(float), audio[2].astype(float), **keywords)
    np.testing.assert_allclose(spectra.coherence(0, 2), expected, atol=1e-4)
    np.testing.assert_allclose(spectra.frequency_hz, frequency_hz)


def test_power_adds_up_to_the_mean_square():
    """Parseval: a sine of amplitude 0.5 has mean square 0.125."""
    time = np.arange(RATE)
    audio = 0.5 * np.sin(2 * np.pi * 997.0 / RATE * time)[None].astype(np.float32)

    assert _pooled(audio, 4096).power.sum() == pytest.approx(0.125, rel=1e-3)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_phase_and_lag_convention(sign, order):
    """A track 24 samples (0.5 ms) late turns by −2πfτ; the pair swapped turns the other way."""
    noise = np.random.default_rng(2).standard_normal(200_024).astype(np.float32)
    audio = np.stack([noise[24:], sign * noise[:-24]])
    spectra = _pooled(audio, 4096)
    a, b = order
    delay_s = 0.0005 if a == 0 else -0.0005
    expected = sign * np.exp(-2j * np.pi * spectra.frequency_hz * delay_s)
    cross = spectra.cross(a, b)

    middle = slice(20, -20)
    assert np.abs(cross / np.abs(cross) - expected)[middle].max() < 0.1
    curve = correlation_curve(spectra, a, b, max_lag_ms=5.0)
    peak = int(np.argmax(np.abs(curve.values)))
    assert curve.lag_ms.values()[peak] == pytest.approx(1000 * delay_s, abs=1e-9)
    assert 0.97 < sign * curve.values[peak] <= 1.0 + 1e-9


def test_short_silent_and_wrong_input():
    """One short frame is filled up; silence has coherence 0; bad requests say what is wrong."""
    tone = 0.5 * np.ones((2, 100), np.float32)
    tone[1] = 0.0
    spectra = _pooled(tone, 1024)
    assert spectra.n_frames == 1
    assert np.all(spectra.coherence(0, 1) == 0.0)
    assert np.all(correlation_curve(spectra, 0, 1, max_lag_ms=1.0).values == 0.0)
    with pytest.raises(InputError, match="no audio"):
        SpectrumPool(2, RATE, 1024).result()
    with pytest.raises(UsageError, match="does not hold 2 tracks"):
        SpectrumPool(2, RATE, 1024).update(np.zeros((3, 10), np.float32))
    with pytest.raises(UsageError, match="even frame"):
        SpectrumPool(2, RATE, 1023)
    with pytest.raises(UsageError, match="quarter of the frame"):
        correlation_curve(spectra, 0, 1, max_lag_ms=50.0)


@pytest.mark.parametrize("sizes", [(10**9,), (1, 4097, 333)])
def test_frames_may_lie_apart(sizes):
    """A hop of two and a half frames equals pooling the kept frames alone."""
    audio = _tracks(2560 * 100)
    kept = audio.reshape(3, 100, 2560)[:, :, :1024].reshape(3, -1)
    hop = hop_for(audio.shape[1], 1024, 100)

    sparse, dense = _pooled(audio, hop_samples=hop, sizes=sizes), _pooled(kept)

    assert hop == 2560
    assert sparse.n_frames == dense.n_frames == 100
    np.testing.assert_allclose(sparse.matrix, dense.matrix, rtol=1e-5, atol=1e-12)
    assert hop_for(10_000, 1024, 100) == 1024


def test_parts_pool_to_the_whole():
    """Two halves weighted by their frames are the whole take."""
    audio = _tracks(1024 * 90)
    parts = pooled([_pooled(audio[:, : 1024 * 60]), _pooled(audio[:, 1024 * 60 :])])
    whole = _pooled(audio)

    assert parts.n_frames == whole.n_frames == 90
    np.testing.assert_allclose(parts.matrix, whole.matrix, rtol=1e-5, atol=1e-12)
    np.testing.assert_array_equal(parts.pair(0, 1).cross, parts.cross(0, 1))
