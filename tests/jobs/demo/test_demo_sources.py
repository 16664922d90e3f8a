"""The demo's drums, strings and voice are made of what the textbooks say."""

import numpy as np
import pytest
from demo_sessions import RATE_HZ, seeded
from scipy.signal import find_peaks, lfilter
from scipy.special import jn_zeros

from polaritykit.jobs.demo.sources import Drum, drum_hits, head_points, plucked_string, sung_syllable

HEAD = Drum(
    radius_m=0.2,
    depth_m=0.3,
    coupling=0.5,
    lowest_hz=100,
    t60_s=3.0,
    contact_s=(0.001,),
    click=0.0,
    click_hz=(2000, 4000),
    strike_radius=0.3,
)


def test_head_rings_at_the_zeros_of_bessel_functions():
    """Spectral peaks of a struck head stand as the zeros of J_m: 1, 1.59, 2.14, 2.30.

    Fletcher & Rossing, The Physics of Musical Instruments, 2nd ed., section 3.2.
    """
    sound = drum_hits(HEAD, [(0, 1.0)], 3 * RATE_HZ, RATE_HZ, seeded())[0]
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 8 * RATE_HZ))
    peaks, _ = find_peaks(spectrum[: 8 * 240], height=0.02 * spectrum[: 8 * 240].max())
    zeros = np.sort([*jn_zeros(0, 2), *jn_zeros(1, 1), *jn_zeros(2, 1)])
    np.testing.assert_allclose(peaks / 8, 100 * zeros / zeros[0], atol=1.0)


def test_blow_moves_the_struck_point_first_and_forward():
    """The struck point starts with the blow, towards the blow; every other point later than sound in air.

    So by the triangle inequality no other point is heard first anywhere: the arrival's definition holds.
    """
    sound = drum_hits(HEAD, [(100, 1.0)], 4000, RATE_HZ, seeded())
    begins = np.array([np.argmax(np.abs(row) > 0) for row in sound])
    points = head_points(HEAD) * HEAD.radius_m
    distances = np.hypot(*(points - points[0]).T)

    assert begins[0] in range(100, 103)
    assert sound[0, begins[0] : begins[0] + 4].min() > 0
    assert ((begins[1:] - 100) / RATE_HZ >= distances[1:] / 343.2).all()


@pytest.mark.parametrize("pitch_hz", [82.41, 110.0, 196.0, 329.63])
def test_string_is_in_tune(pitch_hz):
    """The autocorrelation of a plucked string peaks at its period, within 3 cents."""
    sound = plucked_string(pitch_hz, 1.5, 3.0, RATE_HZ, seeded())[RATE_HZ // 4 : RATE_HZ]
    assert RATE_HZ / _period(sound, pitch_hz) == pytest.approx(pitch_hz, rel=2 ** (3 / 1200) - 1)


def test_voice_has_pitch_and_formant():
    """A sung "a" repeats at its pitch, and its strongest partial lies at the first formant (730 Hz).

    Peterson & Barney, JASA 24(2), 1952, table II: men's first formants of "a" and "i" are 730 and 270 Hz.
    """
    sound = sung_syllable("a", 110.0, 1.0, RATE_HZ, seeded(), hiss=False)[RATE_HZ // 4 : 3 * RATE_HZ // 4]
    assert RATE_HZ / _period(sound, 110.0) == pytest.approx(110.0, rel=0.02)
    raised = lfilter([1, -0.95], [1], sound * np.hanning(len(sound)))
    strongest = np.argmax(np.abs(np.fft.rfft(raised, RATE_HZ))[:1500])
    assert abs(strongest - 730) < 110


def _period(sound, pitch_hz):
    """Period in samples: autocorrelation peak near the expected one, with a parabola through its top."""
    spectrum = np.fft.rfft(sound * np.hanning(len(sound)), 2 * len(sound))
    correlation = np.fft.irfft(np.abs(spectrum) ** 2)
    guess = RATE_HZ / pitch_hz
    low, high = int(0.7 * guess), int(1.4 * guess)
    top = low + int(np.argmax(correlation[low:high]))
    left, middle, right = correlation[top - 1 : top + 2]
    return top + 0.5 * (left - right) / (left - 2 * middle + right)
