"""First arrivals and signs of strokes laid at known times; whitening and the change of variance by hand."""

import numpy as np
import pytest
from scipy.signal import lfilter

from polaritykit.struck.first_arrival import ORDER, akaike, pick_arrivals, pick_home, whiten
from polaritykit.struck.signs import read_signs

RATE = 48_000
ZERO = 2400
LENGTH = 6000


def drum(n=3000, tone_hz=210.0, tau_ms=25.0):
    """Make a struck head: a tone that dies away, begun by a click of the stick."""
    time = np.arange(n) / RATE
    tone = np.sin(2 * np.pi * tone_hz * time) * np.exp(-time / (tau_ms * 1e-3))
    click = np.exp(-time / 0.4e-3) * np.sin(2 * np.pi * 1500 * time)
    return tone + 0.7 * click


def hits(late, signs, *, n_hits=16, noise=1e-3, seed=0, gains=None):
    """Windows (n_hits, n_tracks, n): one drum, late by so many samples, with a sign, in coloured noise."""
    rng = np.random.default_rng(seed)
    white = rng.standard_normal((n_hits, len(late), LENGTH))
    windows = noise * lfilter([1.0], [1.0, -0.9], white, axis=-1)
    for hit in range(n_hits):
        sound = rng.uniform(0.5, 1.0) * drum(tone_hz=rng.uniform(190, 230))
        for track, (delay, sign) in enumerate(zip(late, signs, strict=True)):
            at = ZERO + delay
            windows[hit, track, at : at + len(sound)] += (gains or [1.0] * len(late))[track] * sign * sound
    return windows


@pytest.mark.parametrize("seed", range(3))
def test_arrivals_at_planted_times(seed):
    """Within 0.1 ms (5 samples) of where the strokes were laid, whatever their sign."""
    late = [0, 48, 200, -30]
    found = pick_arrivals(hits(late, [1, -1, 1, -1], seed=seed), ZERO, RATE)

    assert found.arrival_s * RATE == pytest.approx(late, abs=5)
    assert np.all(found.stability > 0.9)
    assert not found.at_edge.any()


def test_signs_at_planted_times():
    """Every pair's sign, read twice by different means."""
    signs = np.array([1, -1, 1, -1])
    windows = hits([0, 48, 200, -30], signs)
    arrivals = pick_arrivals(windows, ZERO, RATE)
    found = read_signs(windows, ZERO, arrivals, RATE)
    upper = np.triu_indices(4, 1)

    assert np.sign(found.correlation[upper]).tolist() == np.outer(signs, signs)[upper].tolist()
    assert np.sign(found.votes[upper]).tolist() == np.outer(signs, signs)[upper].tolist()
    assert np.all(np.abs(found.correlation[upper]) > 0.8)


def test_turning_a_track_turns_its_signs_and_no_time():
    """Equivariance: the picks see magnitudes, the signs follow the wiring."""
    windows = hits([0, 48, 200], [1, 1, 1])
    turned = windows * np.array([1, -1, 1])[None, :, None]
    one, two = (pick_arrivals(w, ZERO, RATE) for w in (windows, turned))
    before, after = (read_signs(w, ZERO, a, RATE) for w, a in ((windows, one), (turned, two)))
    turn = np.outer([1, -1, 1], [1, -1, 1])

    assert np.array_equal(one.arrival_s, two.arrival_s)
    assert after.correlation == pytest.approx(before.correlation * turn, abs=1e-9)
    assert after.votes == pytest.approx(before.votes * turn, abs=1e-9)


def test_moving_a_track_moves_its_arrival_and_nothing_else():
    """Seven samples later on one track."""
    windows = hits([0, 48, 200], [1, 1, 1])
    moved = windows.copy()
    moved[:, 1, 7:] = windows[:, 1, :-7]
    one, two = (pick_arrivals(w, ZERO, RATE) for w in (windows, moved))

    assert (two.arrival_s - one.arrival_s) * RATE == pytest.approx([0, 7, 0], abs=1.0)


def test_gain_does_not_matter():
    """A preamp's gain changes neither time nor votes."""
    windows = hits([0, 48], [1, -1])
    one = pick_arrivals(windows, ZERO, RATE)
    two = pick_arrivals(windows * np.array([1.0, 0.01])[None, :, None], ZERO, RATE)

    assert np.array_equal(one.arrival_s, two.arrival_s)
    assert two.votes == pytest.approx(one.votes, abs=1e-6)


def test_a_track_that_hears_nothing_is_not_sure_of_it():
    """Noise alone: its picks scatter, or it stands no decibel over the noise before."""
    windows = hits([0, 0], [1, 1], gains=[1.0, 0.0])
    found = pick_arrivals(windows, ZERO, RATE)

    assert abs(found.snr_db[1]) < 1.0
    assert found.snr_db[0] > 20.0
    assert found.coherence[1] < 0.5 * found.coherence[0]


def test_votes_of_strangers_average_to_chance():
    """The mean of n unrelated bounded votes is about 1/sqrt(n) of one vote (closed form, white noise)."""
    windows = np.random.default_rng(1).standard_normal((64, 1, LENGTH))
    found = pick_arrivals(windows, ZERO, RATE)
    # E[tanh(x)^2] = 0.394 for a standard normal (numerical integral).
    x = np.linspace(-8, 8, 20_001)
    power = np.trapezoid(np.tanh(x) ** 2 * np.exp(-(x**2) / 2), x) / np.sqrt(2 * np.pi)
    middle = found.votes[0, ZERO : ZERO + 2000]

    assert np.sqrt(np.mean(middle**2)) == pytest.approx(np.sqrt(power / 64), rel=0.15)


def test_home_is_picked_hit_by_hit():
    """Strokes begin anywhere in the onset's frame of 1 ms; one in ten may be lost."""
    rng = np.random.default_rng(5)
    shifts = rng.integers(0, 48, 40)
    windows = 1e-3 * rng.standard_normal((40, LENGTH))
    for row, shift in zip(windows, shifts, strict=True):
        row[ZERO + shift : ZERO + shift + 3000] += drum()

    error = pick_home(windows, ZERO, RATE) - ZERO - shifts

    assert np.mean(np.abs(error) <= 5) >= 0.9
    assert abs(np.median(error)) <= 2


def test_akaike_equals_its_sum_written_out():
    """After Maeda (1985): k ln var(first k) + (n - k) ln var(rest), here about zero, sample by sample."""
    trace = np.random.default_rng(2).standard_normal(200) * np.r_[np.full(90, 0.1), np.full(110, 1.0)]
    first, last = 20, 180
    found = akaike(trace[None] ** 2, first, np.array([last]))[0]
    for k in range(first + 20, last - 20):
        left, right = trace[first:k], trace[k:last]
        expected = len(left) * np.log(np.mean(left**2)) + len(right) * np.log(np.mean(right**2))
        assert found[k] == pytest.approx(expected, rel=1e-9)

    assert int(np.argmin(found)) == pytest.approx(90, abs=2)
    assert np.all(np.isinf(found[:first]))
    assert np.all(np.isinf(found[last:]))


def test_whitening_makes_coloured_noise_white_and_of_unit_size():
    """An AR(2) process: its prediction error is white by definition."""
    white = np.random.default_rng(3).standard_normal((40, LENGTH))
    coloured = lfilter([1.0], [1.0, -1.6, 0.8], white, axis=-1)
    residual = whiten(coloured, slice(500, 2500), ORDER, np.zeros((40, 1)))[:, 3000:]
    lag_one = np.mean(residual[:, 1:] * residual[:, :-1]) / np.mean(residual**2)

    assert np.sqrt(np.mean(residual**2)) == pytest.approx(1.0, rel=0.05)
    assert abs(lag_one) < 0.02  # of the coloured noise: 1.6 / 1.8 = 0.89
    assert np.corrcoef(coloured[0, 1:], coloured[0, :-1])[0, 1] == pytest.approx(1.6 / 1.8, abs=0.03)
