"""Takes that did not start together: closed-form lags and drifts, and what must not be matched.

The sounds are made here, so the truth is exact; the statistics are those of the normal distribution.
"""

import numpy as np
import pytest

from polaritykit.sustained.coarse import CoarseMatch, coarse_match
from polaritykit.sustained.whitened import LOW_RATE_HZ as RATE
from polaritykit.sustained.whitened import fit, low_rate, stretched, vertex, whitened


def noise(seconds, seed):
    """White noise."""
    return np.random.default_rng(seed).standard_normal(int(seconds * RATE)).astype(np.float32)


def clicks(seconds, seed):
    """Decaying strokes at irregular times over a little noise: sparse, wide in band."""
    rng = np.random.default_rng(seed)
    x = 0.01 * rng.standard_normal(int(seconds * RATE))
    for at in np.cumsum(rng.uniform(0.1, 0.6, int(seconds / 0.35))):
        k = int(at * RATE)
        stroke = rng.standard_normal(800) * np.exp(-np.arange(800) / 150)
        x[k : k + 800] += stroke[: max(0, len(x) - k)]
    return x.astype(np.float32)


def on_clock(x, ppm):
    """Return what a faster clock records: a cubic spline through eight values per sample."""
    from scipy.ndimage import map_coordinates
    from scipy.signal import resample_poly

    fine = resample_poly(x.astype(float), 8, 1)
    at = np.arange(int(len(x) * (1 + 1e-6 * ppm)) - 1) / (1 + 1e-6 * ppm) * 8
    return map_coordinates(fine, [at], order=3, mode="mirror").astype(np.float32)


@pytest.mark.parametrize("ppm", [0.0, 35.0, -200.0])
@pytest.mark.parametrize("sound", [noise, clicks])
def test_lag_and_drift_of_two_recorders(sound, ppm):
    """The second starts 33.21 s later, hears as much noise of its own as sound, and shares 57 s."""
    whole = sound(90, 1)
    late = 33.21
    first = whole
    second = on_clock(whole[int(late * RATE) :], ppm) * -0.2
    second = second + 0.5 * np.std(second) * noise(60, 2)[: len(second)]
    found = coarse_match(first, second)
    assert found.reason == "found"
    for time_s in (40.0, 88.0):
        true = (time_s - late) * (1 + 1e-6 * ppm) - time_s
        assert found.place.offset_at_s(time_s) == pytest.approx(true, abs=5e-5)
    assert found.drift_ppm == pytest.approx(ppm, abs=max(1.0, 4 * found.drift_std_ppm))
    assert found.shared_s[0] == pytest.approx(late, abs=0.03)
    if ppm == 35.0:  # seen from the other recorder: offset and drift change sign
        back = coarse_match(second, first)
        assert back.reason == "found"
        early = (20.0 / (1 + 1e-6 * ppm)) + late - 20.0
        assert back.place.offset_at_s(20.0) == pytest.approx(early, abs=5e-5)


def test_half_a_minute_at_the_ends_of_two_takes_is_enough():
    """Two takes of 100 s share the last 30 s of one and the first 30 s of the other."""
    whole = clicks(170, 3)
    found = coarse_match(whole[: 100 * RATE], whole[70 * RATE :])
    assert found.reason == "found"
    assert found.offset_s == pytest.approx(-70.0, abs=1e-5)
    assert found.shared_s == pytest.approx((70.0, 100.0), abs=1e-3)


@pytest.mark.parametrize("sound", [noise, clicks])
def test_unrelated_takes_share_nothing(sound):
    """Other strokes, other noise."""
    for seed in range(2):
        assert coarse_match(sound(40, 10 + seed), sound(45, 20 + seed)).reason == "nothing_shared"


def test_hum_of_one_mains_is_no_common_sound():
    """Harmonics of 50 Hz up to 2 kHz, 20 dB over the noise: they fit every 20 ms or not at all."""
    t = np.arange(40 * RATE) / RATE
    hum = sum(np.cos(2 * np.pi * 50 * k * t + k * k) for k in range(1, 40)).astype(np.float32)
    found = coarse_match(noise(40, 1) + 2 * hum, noise(40, 2) + 2 * hum)
    assert found.reason in {"several_places", "nothing_shared"}


@pytest.mark.parametrize("bar_s", [0.5, 7.3])
def test_a_loop_fits_in_several_places(bar_s):
    """The same bar over and over, heard by two recorders: any bar may be any other."""
    bar = clicks(bar_s, 4)
    whole = np.tile(bar, int(100 / bar_s))
    first = whole[: 60 * RATE] + 0.02 * noise(60, 5)
    second = whole[int(21.3 * RATE) : int(81.3 * RATE)] + 0.02 * noise(60, 6)
    found = coarse_match(first, second)
    assert found.reason == "several_places"
    assert found.offset_s is None
    # Each place that is named lies a whole number of bars from the true one.
    bars = (np.array(found.places_s) + 21.3) * RATE / len(bar)
    assert np.allclose(bars, np.round(bars), atol=0.02)
    assert len(found.places_s) > 1
    assert found.place is None


def test_a_loop_with_a_player_over_it_has_one_place():
    """What does not repeat settles it."""
    bar = clicks(2.0, 4)
    whole = np.tile(bar, 60) + 2.0 * clicks(120, 8)[: 60 * len(bar)]
    found = coarse_match(whole[: 80 * RATE], whole[30 * RATE :])
    assert found.reason == "found"
    assert found.offset_s == pytest.approx(-30.0, abs=1e-5)


def test_short_and_silent_takes_are_told_apart():
    """No reason is given for another."""
    assert coarse_match(noise(10, 1), noise(60, 1)) == CoarseMatch(reason="too_short")
    assert coarse_match(noise(30, 1), np.zeros(30 * RATE, np.float32)).reason == "silent"
    assert coarse_match(np.zeros(40 * RATE, np.float32), noise(30, 1)).reason == "silent"


def test_fit_of_unrelated_sound_is_standard_normal():
    """|z| has mean sqrt(2/π) and square 1 (central limit theorem), whatever the spectrum."""
    size = 2**17
    tilted = np.cumsum(noise(16, 1))[:size]
    z = fit(whitened(tilted, size), whitened(noise(5, 2), size), size)
    assert np.mean(z**2) == pytest.approx(1.0, abs=0.02)
    assert np.mean(z) == pytest.approx(np.sqrt(2 / np.pi), abs=0.02)


def test_low_rate_keeps_time_and_sound():
    """A tone of 1 kHz from 48 kHz in uneven blocks: the same tone at 8 kHz, where it was."""
    t = np.arange(3 * 48000) / 48000
    x = np.sin(2 * np.pi * 1000 * t).astype(np.float32)
    y = low_rate([x[:1000], x[1000:70001], x[70001:]], 48000)
    assert len(y) == 3 * RATE
    at = np.arange(RATE, 2 * RATE)
    assert np.allclose(y[at], np.sin(2 * np.pi * 1000 * at / RATE), atol=1e-3)


def test_stretched_piece_has_the_other_clock():
    """A tone of 1000 Hz stretched by 100 ppm is one of 999.9 Hz."""
    t = np.arange(40000) / RATE
    y = stretched(np.cos(2 * np.pi * 1000 * t).astype(np.float32), 100.0)
    assert len(y) == 40004
    at = np.arange(4000, 36000) / RATE
    assert np.allclose(y[4000:36000], np.cos(2 * np.pi * 1000 / 1.0001 * at), atol=0.01)


def test_vertex_of_a_parabola():
    """Exact on a parabola; whole samples at the edge."""
    values = (-((np.arange(9) - 4.3) ** 2)).astype(np.float32)
    assert vertex(values, 4) == pytest.approx(4.3, abs=1e-5)
    assert vertex(values, 0) == 0.0
