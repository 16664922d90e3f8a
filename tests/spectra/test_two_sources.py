"""Two sources that never stop, parted by how their levels move: known mixtures, exact and with noise."""

import numpy as np
import pytest

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.spectra.several_sources import moments, parted, shapes
from polaritykit.spectra.two_sources import two_sources

RATE = 48000


def exact_moments(rng, n_moments, n_bins, n):
    """Covariances that are sums of as many parts as mics to the last digit, and the shapes."""
    shape = rng.standard_normal((n_bins, n, n)) + 1j * rng.standard_normal((n_bins, n, n))
    shape /= np.abs(shape)
    shape *= np.where(np.eye(n, dtype=bool), 1.0, rng.uniform(0.2, 0.5, (n_bins, n, n)))
    level = rng.exponential(size=(n_moments, n_bins, n)) + 0.05
    matrix = np.einsum("tbk,bmk,bnk->tmnb", level, shape, np.conj(shape))
    return matrix, shape, level.mean(axis=0)


@pytest.mark.parametrize("n", [2, 3, 4])
def test_exact_parts_are_found_exactly(n):
    """Jointly diagonalisable matrices have one answer (Cardoso and Souloumiac, 1996)."""
    matrix, shape, mean = exact_moments(np.random.default_rng(n), 60, 40, n)
    found, apart = shapes(matrix)
    for source in range(n):
        ratio = shape[:, :, source] / shape[:, source : source + 1, source]
        own = found[:, source : source + 1, source]
        assert np.allclose(found[:, :, source] / own, ratio, atol=1e-4)
        assert np.allclose(np.abs(own[:, 0]) ** 2, mean[:, source], rtol=1e-3)
    assert apart.min() > 1e4


def moving_noises(seed, *, seconds=30, step_s=0.4):
    """Two noises that never stop, each at a new level (25 dB of spread) every so often."""
    rng = np.random.default_rng(seed)
    n = seconds * RATE
    sounds = []
    for _ in range(2):
        level_db = rng.uniform(-25, 0, int(seconds / step_s) + 2)
        gain = np.interp(np.arange(n) / RATE / step_s, np.arange(len(level_db)), 10 ** (level_db / 20))
        sounds.append(0.1 * gain * rng.standard_normal(n))
    return sounds


def leaky_take(seed, *, sign):
    """Each source in its own mic, and 10 dB lower, 0.5 or 0.8 ms late, in the other."""
    one, other = moving_noises(seed)
    leak = 10 ** (-10 / 20)
    main = one + leak * np.roll(other, 38)
    leaky = sign * (leak * np.roll(one, 24) + other)
    tracks = {"main": main.astype(np.float32), "leaky": leaky.astype(np.float32)}
    return ArrayRecording(tracks, RATE)


@pytest.mark.parametrize("sign", [1, -1])
def test_effect_of_a_flip_by_closed_form(sign):
    """Power of 1 ± g·e^{−jωτ} over an octave of white noise: 1 + g² ± 2g·mean(cos ωτ)."""
    centres = (125.0, 250.0, 500.0, 1000.0, 2000.0)
    found = two_sources(parted(leaky_take(1, sign=sign)), centres)
    assert found.reason == "found"
    assert all(found.told)
    leak = 10 ** (-10 / 20)
    errors = []
    for source, late in ((0, 24), (1, 38)):
        for k, centre in enumerate(centres):
            f = np.linspace(centre / np.sqrt(2), centre * np.sqrt(2), 2000)
            turned = 2 * leak * np.mean(np.cos(2 * np.pi * f * late / RATE)) * sign
            true = 10 * np.log10((1 + leak**2 - turned) / (1 + leak**2 + turned))
            errors.append((found.flip_db[source, k] - true) / max(found.flip_std_db[source, k], 0.02))
            assert found.flip_db[source, k] == pytest.approx(true, abs=0.5)
    # The ± are standard deviations: their errors' mean square is near 1 (ten values: 0.3 to 2.5 at 99 %).
    assert np.mean(np.square(errors)) < 2.6


def test_parts_stand_as_each_source_alone():
    """Power of either source in either mic within 0.5 dB of what was put in; isolation 10 dB."""
    one, other = moving_noises(2)
    leak = 10 ** (-10 / 20)
    tracks = {"main": one + leak * other, "leaky": leak * one + other}
    found = two_sources(parted(ArrayRecording({k: x.astype(np.float32) for k, x in tracks.items()}, RATE)))
    frequency_hz = found.main[0].frequency_hz
    band = (frequency_hz > 200) & (frequency_hz < 15000)
    for parts, sound, gains in ((found.main, one, (1, leak)), (found.leaky, other, (leak, 1))):
        for mic in (0, 1):
            power = np.mean([part.power[mic][band].sum() for part in parts])
            put_in = np.mean(sound**2) * gains[mic] ** 2 * (15000 - 200) / (RATE / 2)
            assert 10 * np.log10(power / put_in) == pytest.approx(0.0, abs=0.5)


def test_sources_that_never_move_apart_are_not_told():
    """Steady noises, and two noises that go up and down together."""
    rng = np.random.default_rng(3)
    together, _ = moving_noises(4)
    gain = np.abs(together)
    for shared in (1.0, np.convolve(gain, np.ones(4800) / 4800, "same")):
        one, other = shared * rng.standard_normal((2, 30 * RATE))
        tracks = {"main": one + 0.3 * other, "leaky": 0.3 * one + other}
        found = two_sources(
            parted(ArrayRecording({k: x.astype(np.float32) for k, x in tracks.items()}, RATE))
        )
        assert found.reason == "never_apart"
        assert not found.main


@pytest.mark.parametrize("n_samples", [1, 5000, 2 * RATE])
def test_short_takes_say_so(n_samples):
    """Fewer moments than tell movement from chance."""
    tracks = {name: np.ones(n_samples, np.float32) for name in ("a", "b")}
    assert two_sources(parted(ArrayRecording(tracks, RATE))).reason == "too_short"


def test_silence_is_no_source():
    """Digital silence on both, and on one."""
    x = 0.1 * np.random.default_rng(5).standard_normal(20 * RATE).astype(np.float32)
    for other in (x, 0 * x):
        found = two_sources(parted(ArrayRecording({"a": 0 * x, "b": other}, RATE)))
        assert found.reason == "never_apart"


def test_power_is_that_of_the_samples():
    """Parseval: bins of a moment add up to the mean square."""
    x = np.random.default_rng(6).standard_normal((2, 5 * RATE)).astype(np.float32)
    *_, found = moments(ArrayRecording({"a": x[0], "b": x[1]}, RATE))
    power = np.einsum("tmmb->mb", found.matrix).real / len(found.matrix)
    assert power.sum(axis=1) == pytest.approx(np.mean(x**2, axis=1), rel=0.02)
