"""The whole analysis of a pure delay against two independent estimators, with and without inversion.

`scipy.signal.correlate` gives lag and sign at its largest magnitude; its lags count the other way round
(`correlation_lags`: positive where the *first* argument is later).  `phase_cross_correlation` of
scikit-image gives sub-sample shifts ("to register the moving image with the reference": positive where the
reference is later) and no sign: its search takes magnitudes.
"""

import numpy as np
import pytest
from scipy.signal import correlate, correlation_lags, firwin, lfilter

import polaritykit

RATE = 48_000
N = 2 * RATE


def sound(seed=5):
    """Noise of 200 Hz to 8 kHz that swells and fades like a bowed note: sustained, broadband."""
    noise = np.random.default_rng(seed).standard_normal(N + RATE)
    band = lfilter(firwin(255, [200, 8000], fs=RATE, pass_zero=False), 1.0, noise)
    return band * (1.2 + np.sin(2 * np.pi * 1.3 * np.arange(len(band)) / RATE))


def later(samples, lag):
    """Return ``samples`` from half a second on, ``lag`` samples later (a phase ramp; ends cut off)."""
    frequency = np.fft.rfftfreq(len(samples))
    moved = np.fft.irfft(np.fft.rfft(samples) * np.exp(-2j * np.pi * frequency * lag), len(samples))
    return moved[RATE // 2 : RATE // 2 + N]


def tracks_of(lag, sign):
    """Two tracks, the second ``lag`` samples late and with a sign; a little noise of its own in each."""
    rng = np.random.default_rng(9)
    own = 1e-3 * rng.standard_normal((2, N))
    return later(sound(), 0.0) + own[0], sign * later(sound(), lag) + own[1]


def measured(a, b):
    """Lag in samples and sign of b against a by the main job."""
    pair = polaritykit.analyse_arrays({"a": a, "b": b}, sample_rate_hz=RATE).pairs[0]
    assert (pair.reference, pair.other) == ("a", "b")
    return pair.offset_ms * 1e-3 * RATE, {"same": 1, "inverted": -1}[pair.polarity]


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("lag", [0, 1, -1, 37, -37, 480, -1200])
def test_same_lag_and_sign_as_plain_correlation(lag, sign):
    """Whole samples: the sign is that of the largest magnitude."""
    a, b = tracks_of(lag, sign)
    values = correlate(b, a, mode="full", method="fft")
    top = int(np.argmax(np.abs(values)))
    oracle_lag = correlation_lags(len(b), len(a), mode="full")[top]
    found_lag, found_sign = measured(a, b)

    assert oracle_lag == lag  # the oracle itself, in its own convention: b as first argument
    # The bound on a delay in this noise is some 0.001 sample; a tenth leaves room for windows.
    assert found_lag == pytest.approx(oracle_lag, abs=0.1)
    assert found_sign == np.sign(values[top]) == sign


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("lag", [0.5, -0.3, 12.25, -37.8, 200.45])
def test_same_sub_sample_lag_as_phase_correlation(lag, sign):
    """Fractions of a sample: scikit-image refines to a fiftieth."""
    from skimage.registration import phase_cross_correlation

    a, b = tracks_of(lag, sign)
    # Its tie-break among periodic images and its error are not asked for: both are for images.
    shift, _, _ = phase_cross_correlation(a, b, upsample_factor=50, normalization=None)
    found_lag, found_sign = measured(a, b)

    assert -float(shift[0]) == pytest.approx(lag, abs=0.05)
    assert found_lag == pytest.approx(-float(shift[0]), abs=0.1)
    assert found_sign == sign


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("lag", [12.25, -37, 480])
def test_the_other_order_negates_the_lag_and_keeps_the_sign(lag, sign):
    """Swapping the pair is the same measurement read the other way round."""
    a, b = tracks_of(lag, sign)
    there, back = measured(a, b), measured(b, a)

    assert back[0] == pytest.approx(-there[0], abs=0.02)
    assert back[1] == there[1] == sign


@pytest.mark.parametrize("sign", [1, -1])
def test_struck_sound_has_the_lag_and_sign_of_plain_correlation(sign):
    """Clicks of one sign, as from a drum: the other way through the analysis."""
    rng = np.random.default_rng(2)
    decay = np.exp(-np.arange(4000) / 300) * rng.standard_normal(4000)
    track = np.zeros(6 * RATE)
    for start in (RATE // 3 + RATE * np.arange(0.0, 5.4, 0.37)).astype(int):
        track[start : start + 4000] += rng.uniform(0.5, 1.0) * decay
    noise = 1e-4 * rng.standard_normal((2, len(track)))
    a, b = track + noise[0], sign * np.roll(track, 131) + noise[1]
    values = correlate(b, a, mode="full", method="fft")
    top = int(np.argmax(np.abs(values)))
    found_lag, found_sign = measured(a, b)

    assert found_lag == pytest.approx(correlation_lags(len(b), len(a))[top], abs=1.0)
    assert found_sign == np.sign(values[top]) == sign
