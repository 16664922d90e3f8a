"""Offsets by correlation against delays put in by the shift theorem, and first arrivals they contradict.

The delayed copies are the truth (a closed form); the stroke itself is a made-up decaying tone with a click.
"""

from dataclasses import replace

import numpy as np
import pytest

from polaritykit.struck import direct_correlation
from polaritykit.struck.direct_correlation import (
    SURELY_AGREED,
    centre_hz,
    direct_times,
    gated_cross,
    reconciled,
    with_sharper,
)
from polaritykit.struck.first_arrival import Arrivals
from polaritykit.struck.stroke_alignment import stroke_shifts

RATE = 48_000
ZERO = 2200
LENGTH = 5600


def delayed(wave, delay_samples):
    """Delay by a phase ramp (the shift theorem)."""
    frequency = np.fft.rfftfreq(wave.shape[-1])
    return np.fft.irfft(np.fft.rfft(wave) * np.exp(-2j * np.pi * frequency * delay_samples), wave.shape[-1])


def stroke(rng):
    """One stroke at ``ZERO``: a broad burst over a decaying tone."""
    time = np.arange(LENGTH - ZERO) / RATE
    sound = np.zeros(LENGTH)
    sound[ZERO:] = np.exp(-time / 0.03) * np.sin(2 * np.pi * 210 * time)
    sound[ZERO:] += 0.4 * np.exp(-time / 0.003) * rng.standard_normal(len(time))
    return sound


def hits(delays_ms, n_hits=12, noise=0.01, seed=1):
    """Windows (n_hits, n_tracks, n) of one source on tracks that hear it late, every second upside down."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(n_hits):
        wave = stroke(rng)
        rows = [(-1) ** k * delayed(wave, ms * 1e-3 * RATE) for k, ms in enumerate(delays_ms)]
        out.append(np.array(rows) + noise * rng.standard_normal((len(delays_ms), LENGTH)))
    return np.array(out)


def picked(times_ms):
    """Arrivals at these times."""
    n = len(times_ms)
    return Arrivals(
        arrival_s=np.asarray(times_ms) * 1e-3,
        spread_s=np.full(n, 1e-5),
        stability=np.ones(n),
        coherence=np.ones(n),
        snr_db=np.full(n, 30.0),
        at_edge=np.zeros(n, dtype=bool),
        votes=np.zeros((n, LENGTH)),
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_delays_come_back_and_close(seed):
    """Every pair's delay, whatever the sign; the offsets of three tracks add up to nothing."""
    true = np.array([0.0, 2.37, -1.12, 5.05])
    found = direct_times(gated_cross(hits(true, seed=seed), ZERO, RATE), true * 1e-3)
    apart = ~np.eye(4, dtype=bool)
    error_ms = np.abs(found.offset_s * 1e3 - (true[None] - true[:, None]))
    assert np.all(error_ms[apart] < 3e3 * found.std_s[apart])
    assert error_ms.max() < 0.05
    assert found.agreed[apart].min() >= SURELY_AGREED
    around = found.offset_s[0, 1] + found.offset_s[1, 2] + found.offset_s[2, 0]
    assert around == pytest.approx(0.0, abs=1e-12)


def test_filters_without_phase_change_neither_lag_nor_sign():
    """A symmetric filter's response is real (Oppenheim and Schafer, ch. 5): it rings before the sound only.

    A bell of 12 dB, a sixth of an octave wide, on two of the tracks; every second one is upside down.
    """
    from scipy.signal import fftconvolve, firwin2

    true = np.array([0.0, 2.37, -1.12, 5.05])
    windows = hits(true)
    frequency = np.linspace(0.0, RATE / 2, 2049)
    bell_db = 12.0 * np.exp(-0.5 * (np.log2(np.maximum(frequency, 1.0) / 900.0) / 0.08) ** 2)
    taps = firwin2(2047, frequency, 10 ** (bell_db / 20), fs=RATE)
    for track in (1, 2):
        windows[:, track] = fftconvolve(windows[:, track], taps[None], mode="same", axes=-1)
    found = direct_times(gated_cross(windows, ZERO, RATE), true * 1e-3)
    assert np.abs(found.offset_s * 1e3 - (true[None] - true[:, None])).max() < 0.05
    apart = ~np.eye(4, dtype=bool)
    upside = (-1.0) ** np.arange(4)
    assert np.array_equal(found.sign[apart], np.outer(upside, upside)[apart])


def test_noise_that_is_not_shared_agrees_on_nothing():
    """Two tracks with noises of their own: the readings fall apart."""
    rng = np.random.default_rng(4)
    found = direct_times(gated_cross(rng.standard_normal((12, 2, LENGTH)), ZERO, RATE), np.zeros(2))
    assert found.agreed[0, 1] < 0.7


def test_an_early_forerunner_is_put_right():
    """A first arrival 2.7 ms early on one of four tracks is moved, the others stay."""
    true = np.array([0.0, 2.0, 3.5, 1.2])
    early = true - np.array([0.0, 0.0, 2.7, 0.0])
    windows = hits(true)
    direct = direct_times(gated_cross(windows, ZERO, RATE), early * 1e-3)
    arrivals, moved = reconciled(picked(early), direct, windows, zero=ZERO, sample_rate_hz=RATE)
    assert moved.tolist() == [False, False, True, False]
    assert arrivals.arrival_s * 1e3 == pytest.approx(true, abs=0.05)


def test_a_contradiction_that_is_not_sure_moves_nothing():
    """Readings that do not agree leave the first arrivals alone."""
    true = np.array([0.0, 2.0])
    windows = hits(true)
    direct = direct_times(gated_cross(windows, ZERO, RATE), true * 1e-3)
    open_ = replace(direct, agreed=np.full((2, 2), 0.6))
    arrivals, moved = reconciled(
        picked(true - np.array([0.0, 1.0])), open_, windows, zero=ZERO, sample_rate_hz=RATE
    )
    assert not moved.any()
    assert arrivals.arrival_s * 1e3 == pytest.approx([0.0, 1.0])


def test_a_louder_reflection_does_not_move_the_first_arrival(monkeypatch):
    """A direct sound a tenth as strong as what follows 1.5 ms later (20 dB down is fainter) is kept."""
    true = np.array([0.0, 2.0, 3.5])
    windows = hits(true + np.array([0.0, 0.0, 1.5])) + 0.3 * hits(true) * np.array([0, 0, 1])[None, :, None]
    direct = direct_times(gated_cross(windows, ZERO, RATE), true * 1e-3)
    sure = replace(direct, agreed=np.full((3, 3), 0.9))
    _, moved = reconciled(picked(true), sure, windows, zero=ZERO, sample_rate_hz=RATE)
    assert not moved.any()
    monkeypatch.setattr(direct_correlation, "_FORERUNNER_DB", 100.0)
    _, moved = reconciled(picked(true), sure, windows, zero=ZERO, sample_rate_hz=RATE)
    assert moved.any()


def test_strokes_behind_an_earlier_sound_are_laid_on_each_other():
    """Injected shifts of up to 3 ms come back up to a common one."""
    rng = np.random.default_rng(6)
    wave = stroke(np.random.default_rng(5))
    late = rng.integers(-140, 140, size=15)
    rows = np.array([np.roll(wave, shift) for shift in late]) + 0.01 * rng.standard_normal((15, LENGTH))
    found = stroke_shifts(rows, ZERO, RATE)
    assert np.ptp(found - late) <= 1


def test_a_bass_drum_is_timed_below_the_hat_that_falls_with_it():
    """A tone of 65 Hz, and a hat about it by another way: in its own octaves the drum's delays come back.

    Where the energy of a steady tone lies is the tone's own frequency (Fourier).
    """
    rng = np.random.default_rng(3)
    drum_ms, hat_ms = np.array([0.0, 2.4, 4.1, 5.3]), np.array([2.5, 0.0, 3.9, 1.2])
    time = np.arange(LENGTH) / RATE
    windows = []
    for _ in range(12):
        beat, hat = np.zeros((2, LENGTH))
        beat[ZERO:] = np.exp(-time[: LENGTH - ZERO] / 0.1) * np.sin(2 * np.pi * 65 * time[: LENGTH - ZERO])
        beat[ZERO:] += 0.02 * np.exp(-time[: LENGTH - ZERO] / 0.03) * rng.standard_normal(LENGTH - ZERO)
        at = ZERO + round(rng.uniform(-4.0, 6.0) * 1e-3 * RATE)
        hat[at:] = np.exp(-time[: LENGTH - at] / 0.03) * rng.standard_normal(LENGTH - at)
        hat = np.diff(hat, prepend=0.0)
        rows = [
            delayed(beat, drum * 1e-3 * RATE) + gain * delayed(hat, other * 1e-3 * RATE)
            for drum, other, gain in zip(drum_ms, hat_ms, (0.15, 2.0, 2.0, 2.0), strict=True)
        ]
        windows.append(np.array(rows) + 1e-3 * rng.standard_normal((4, LENGTH)))
    strokes = np.array(windows)
    centre = centre_hz(strokes[:, 0], ZERO, RATE)
    assert 60.0 < centre < 100.0
    apart = ~np.eye(4, dtype=bool)
    own = direct_times(gated_cross(strokes, ZERO, RATE), hat_ms * 1e-3, lowest_hz=centre)
    error_ms = np.abs(own.offset_s * 1e3 - (drum_ms[None] - drum_ms[:, None]))
    assert np.all(error_ms[apart] < 2e3 * own.std_s[apart])
    assert np.all(own.agreed[0, 1:] >= SURELY_AGREED)
    assert np.all(own.sign[apart] == 1.0)
    usual = direct_times(gated_cross(strokes, ZERO, RATE), hat_ms * 1e-3)
    # Where all drums are read as a snare drum is, the hat's ways come back.
    assert np.abs(usual.offset_s * 1e3 - (hat_ms[None] - hat_ms[:, None])).max() < 0.1
    assert centre_hz(np.sin(2 * np.pi * 400 * time)[None], ZERO, RATE) == pytest.approx(400.0, rel=0.02)


@pytest.mark.parametrize(("apart_ms", "taken"), [(0.1, True), (0.6, False)])
def test_a_low_drum_keeps_the_sharper_reading_of_its_arrival(apart_ms, taken):
    """Its beater high up where both bands tell one arrival; its own octaves where a hat is up there."""
    windows = hits([0.0, 3.0])
    wide = direct_times(gated_cross(windows, ZERO, RATE), np.array([0.0, 3e-3]))
    turned = np.array([[0.0, 1.0], [-1.0, 0.0]])
    low = replace(
        wide,
        offset_s=wide.offset_s + apart_ms * 1e-3 * turned,
        std_s=wide.std_s + 0.3e-3,
        longer=np.ones((2, 2)),
    )

    found = with_sharper(low, wide)

    assert found.offset_s[0, 1] * 1e3 == pytest.approx(3.0 if taken else 3.0 + apart_ms, abs=0.02)
    assert found.std_s[0, 1] == pytest.approx(wide.std_s[0, 1] if taken else low.std_s[0, 1])
    assert found.longer[0, 1] == (0.0 if taken else 1.0)
