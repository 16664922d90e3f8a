"""Comb filters against closed forms, published tables, an FFT and a free-field simulator."""

import math

import numpy as np
import pytest
from simulated_room import RATE_HZ, simulate

from polaritykit.base.air import given_speed
from polaritykit.base.errors import UsageError
from polaritykit.jobs.comb.document import comb_document
from polaritykit.jobs.comb.inputs import comb_geometry
from polaritykit.jobs.comb.plots import comb_figure
from polaritykit.spectra.comb import (
    comb_response_db,
    nearest_note,
    notch_depth_db,
    notches_hz,
    peak_height_db,
    peaks_hz,
    predict_comb,
    seen_notches_hz,
)

# Everest & Pohlmann, Master Handbook of Acoustics, ch. "Comb-Filter Effects": 0.1 ms has its first null at
# 5 kHz, 1 ms at 500 Hz; the rows between follow from n/(2τ).
DELAYS = [(0.1, 5000), (0.5, 1000), (1, 500), (2, 250), (5, 100), (10, 50)]


@pytest.mark.parametrize(("delay_ms", "first_hz"), DELAYS)
def test_notches_are_odd_multiples(delay_ms, first_hz):
    """Same polarity: nulls at odd n/(2τ), peaks at n/τ between them."""
    notches = notches_hz(delay_ms, inverted=False, up_to_hz=20000)

    assert notches[:2] == pytest.approx([first_hz, 3 * first_hz])
    assert peaks_hz(delay_ms, inverted=False, up_to_hz=20000)[:2] == pytest.approx([0, 2 * first_hz])
    assert np.diff(notches) == pytest.approx(2 * first_hz)


@pytest.mark.parametrize("delay_ms", [delay for delay, _ in DELAYS])
def test_one_over_tau_is_a_peak_and_no_notch(delay_ms):
    """A mistake seen in an open textbook: "(i + 1)/(2t) for all i"; 1/τ is where both agree."""
    tau_hz = 1000 / delay_ms

    assert not np.any(np.isclose(notches_hz(delay_ms, inverted=False, up_to_hz=20000), tau_hz))
    assert comb_response_db(np.array([tau_hz]), delay_ms, 0.0, inverted=False) == pytest.approx(
        6.0206, abs=1e-3
    )


def test_inverted_has_its_notches_where_the_peaks_were():
    """τ = 1 ms inverted: 0, 1000, 2000 Hz (sign change in the formula)."""
    assert notches_hz(1.0, inverted=True, up_to_hz=2000).tolist() == [0, 1000, 2000]
    assert peaks_hz(1.0, inverted=True, up_to_hz=2000).tolist() == [500, 1500]


@pytest.mark.parametrize("inverted", [False, True])
def test_sign_of_the_delay_does_not_matter(inverted):
    """Which of two equal tracks is late cannot be heard in their sum's level."""
    assert notches_hz(-1.3, inverted, 9000).tolist() == notches_hz(1.3, inverted, 9000).tolist()


def test_no_notch_without_a_delay():
    """At 0 ms nothing is cancelled at one frequency more than at another."""
    assert len(notches_hz(0.0, inverted=False, up_to_hz=20000)) == 0
    assert len(notches_hz(0.0, inverted=True, up_to_hz=20000)) == 0
    assert len(notches_hz(0.01, inverted=False, up_to_hz=20000)) == 0


def test_too_many_notches_are_refused():
    """An echo of minutes is a mistake in the units."""
    with pytest.raises(UsageError, match="lower limit"):
        notches_hz(60e3, inverted=False, up_to_hz=20000)


# 20·log10(1 ± a), computed by hand for a copy that many dB down: peak, notch, ripple.
COPIES = {
    1: (5.53, 19.27, 24.81), 2: (5.08, 13.74, 18.81), 3: (4.65, 10.69, 15.34), 4: (4.25, 8.66, 12.91),
    6: (3.53, 6.04, 9.57), 8: (2.91, 4.41, 7.32), 9: (2.64, 3.81, 6.44), 9.54: (2.50, 3.52, 6.02),
    10: (2.39, 3.30, 5.69), 12: (1.95, 2.51, 4.46), 15: (1.42, 1.70, 3.12), 18: (1.03, 1.17, 2.20),
    20: (0.83, 0.92, 1.74), 24: (0.53, 0.57, 1.10), 30: (0.27, 0.28, 0.55),
}  # fmt: skip


@pytest.mark.parametrize("down_db", COPIES)
@pytest.mark.parametrize("sign", [1, -1])
def test_depth_height_ripple(down_db, sign):
    """The table, whichever of the two is the softer; ripple is height plus depth."""
    height, depth, ripple = COPIES[down_db]

    assert peak_height_db(sign * down_db) == pytest.approx(height, abs=0.006)
    assert notch_depth_db(sign * down_db) == pytest.approx(depth, abs=0.006)
    assert peak_height_db(down_db) + notch_depth_db(down_db) == pytest.approx(ripple, abs=0.011)


def test_equal_levels_cancel_completely():
    """+6.02 dB (Everest & Pohlmann) and a notch without end."""
    comb = predict_comb(delay_ms=1, delay_std_ms=0, sound=given_speed(343.2))

    assert comb.peak_height_db == pytest.approx(20 * math.log10(2))
    assert comb.notch_depth_db is None
    assert comb.ripple_db is None


def test_three_to_one_does_not_leave_one_decibel():
    """Handbooks promise "ripple ≤ 1 dB" at 3:1; 20·log10(3) = 9.54 dB down leaves 6.02 dB of it."""
    third = 20 * math.log10(3)

    assert third == pytest.approx(9.542, abs=0.001)
    assert peak_height_db(third) + notch_depth_db(third) == pytest.approx(20 * math.log10(4 / 2), abs=1e-9)
    # A dip of 1 dB needs a copy 19.27 dB down, a peak of 1 dB 18.27, a ripple of 1 dB 24.81.
    assert notch_depth_db(19.27) == pytest.approx(1.0, abs=0.001)
    assert peak_height_db(18.27) == pytest.approx(1.0, abs=0.001)
    assert notch_depth_db(24.81) + peak_height_db(24.81) == pytest.approx(1.0, abs=0.001)


@pytest.mark.parametrize(
    ("degrees", "level"),
    [(0, 6.02), (30, 5.72), (60, 4.77), (90, 3.01), (120, 0.0), (135, -2.32), (150, -5.72), (160, -9.19),
     (170, -15.17), (175, -21.19)],
)  # fmt: skip
def test_two_tones_at_an_angle(degrees, level):
    """20·log10(2·cos φ/2); 360·f·τ is the angle (Everest & Pohlmann: 0.1 ms at 500 Hz is 18°)."""
    frequency = np.array([degrees / 360 * 1000])

    assert comb_response_db(frequency, 1.0, 0.0, inverted=False)[0] == pytest.approx(level, abs=0.006)


@pytest.mark.parametrize(("hz", "level"), [(50, -10.09), (1000 / 6, 0.0), (500, 6.02)])
def test_inverted_pair(hz, level):
    """20·log10(2·sin πfτ), τ = 1 ms."""
    assert comb_response_db(np.array([hz]), 1.0, 0.0, inverted=True)[0] == pytest.approx(level, abs=0.006)


def test_flipping_gains_nothing_over_a_wide_band():
    """Over a band much wider than 1/τ both signs have the power 1 + a²; below 1/(4τ) the flip cancels."""
    wide, low = np.arange(100, 20100, 1.0), np.arange(1, 250, 1.0)

    def power(band, *, inverted):
        return 10 * np.log10(np.mean(10 ** (comb_response_db(band, 1.0, 6.0, inverted=inverted) / 10)))

    both = 10 * math.log10(1 + 10**-0.6)
    assert power(wide, inverted=False) == pytest.approx(both, abs=0.01)
    assert power(wide, inverted=True) == pytest.approx(both, abs=0.01)
    assert power(low, inverted=True) < power(low, inverted=False) - 3


@pytest.mark.parametrize(
    ("gain_error_db", "degrees", "left_db"),
    [(0.1, 0, -38.7), (0.5, 0, -24.5), (1, 0, -18.3), (0, 1, -35.2), (0, 5, -21.2), (0, 10, -15.2)],
)
def test_how_deep_a_flip_can_cancel(gain_error_db, degrees, left_db):
    """|1 − g·exp(jφ)|: what a small error in gain or angle leaves."""
    # The response is against the louder of the two; 0 dB here is the softer one.
    level = comb_response_db(np.array([degrees / 360 * 1000]), 1.0, gain_error_db, inverted=True)[0]

    assert level + gain_error_db == pytest.approx(left_db, abs=0.05)


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("down_db", [0.5, 6.0, 20.0])
def test_curve_equals_the_fft(inverted, down_db):
    """|FFT| of [1, 0, …, ±a] with 37 samples between them."""
    rate, n = 48000, 48000
    impulse = np.zeros(n)
    impulse[0], impulse[37] = 1.0, (-1 if inverted else 1) * 10 ** (-down_db / 20)
    expected = 20 * np.log10(np.abs(np.fft.rfft(impulse)))

    level = comb_response_db(np.fft.rfftfreq(n, 1 / rate), 37 / rate * 1000, down_db, inverted)
    np.testing.assert_allclose(level, expected, rtol=0, atol=1e-9)


def test_what_is_drawn_is_the_curve():
    """The line of the picture is the FFT of [1, 0, …, a] on its own frequencies, down to its lower end."""
    comb = predict_comb(
        delay_ms=37 / 48, delay_std_ms=0, sound=given_speed(343.2), level_difference_db=3.0, up_to_hz=20000
    )
    line = comb_figure(comb_document(comb, 48000)).axes[0].lines[0]
    frequency, level = line.get_data()
    impulse = np.zeros(480000)
    impulse[0], impulse[37] = 1.0, 10 ** (-3 / 20)
    fft_db = 20 * np.log10(np.abs(np.fft.rfft(impulse)))
    expected = np.interp(frequency, np.fft.rfftfreq(480000, 1 / 48000), fft_db)

    # 0.1 Hz between the bins of the FFT.
    np.testing.assert_allclose(level, expected, rtol=0, atol=0.001)


@pytest.mark.parametrize("inverted", [False, True])
def test_curve_equals_a_simulated_session(inverted):
    """Two mics of pyroomacoustics' free-field room, summed: within 0.1 dB, notches within 0.2 %."""
    rirs, speed = simulate([0, 0, 0], [([1.0, 0, 0], None, 1), ([0, 1.34, 0], None, 1)])
    responses = [np.fft.rfft(rir, 2**16) for rir in rirs]
    frequency = np.fft.rfftfreq(2**16, 1 / RATE_HZ)
    total = responses[0] + (-1 if inverted else 1) * responses[1]
    simulated = 20 * np.log10(np.abs(total) / np.abs(responses[0]))

    delay_ms, down_db = 340 / speed, 20 * math.log10(1.34)
    ours = comb_response_db(frequency, delay_ms, down_db, inverted)
    used = (frequency > 100) & (frequency < 18000) & (ours > -8)
    assert used.sum() > 5000
    np.testing.assert_allclose(simulated[used], ours[used], rtol=0, atol=0.1)
    for notch in notches_hz(delay_ms, inverted, 15000):
        if notch > 0:
            near = np.abs(frequency - notch) < 200
            assert frequency[near][np.argmin(simulated[near])] == pytest.approx(notch, rel=0.002, abs=1.5)


def test_uncertainty_is_carried_to_the_notch():
    """34 ± 1 cm is 2.9 %, and so is the notch; checked by moving the path by its uncertainty."""
    sound = given_speed(343.2)

    def first(path_m):
        return notches_hz(path_m / 343.2 * 1000, inverted=False, up_to_hz=1000)[0]

    comb = predict_comb(delay_ms=340 / 343.2, delay_std_ms=10 / 343.2, sound=sound, level_difference_db=6,
                        level_difference_std_db=0.1)  # fmt: skip
    assert comb.notches_std_hz[0] == pytest.approx((first(0.33) - first(0.35)) / 2, rel=0.01)
    assert comb.path_difference_std_m == pytest.approx(0.01)
    assert comb.notch_depth_std_db == pytest.approx((notch_depth_db(5.9) - notch_depth_db(6.1)) / 2, rel=0.01)
    assert comb.peak_height_std_db == pytest.approx((peak_height_db(5.9) - peak_height_db(6.1)) / 2, rel=0.01)


def geometry(**given):
    """Comb geometry at Everest's speed of sound, 1130 ft/s, unless another is given."""
    options = dict.fromkeys(
        (
            "path_difference",
            "delay",
            "spacing",
            "source_angle",
            "source_distance",
            "distances",
            "level_difference",
        )
    )
    sound = given.pop("sound", given_speed(1130 * 0.3048))
    return comb_geometry(**(options | given), sound=sound, sample_rate_hz=48000, tape_std_m=0.01)


def test_path_of_a_tenth_of_a_millisecond():
    """Everest & Pohlmann: 0.1 ms is 0.113 ft or 1.35 in at 1130 ft/s."""
    assert geometry(path_difference="0.113 ft").delay_ms == pytest.approx(0.1, abs=0.0005)
    assert geometry(path_difference="1.356 in").delay_ms == pytest.approx(0.1, abs=0.0005)


@pytest.mark.parametrize(
    ("inches", "delay_ms", "null_hz"), [(0.7, 0.103, 4843), (3.4, 0.501, 997), (6.75, 0.996, 502)]
)
def test_mic_near_a_wall(inches, delay_ms, null_hz):
    """Everest & Pohlmann: 0.7, 3.4, 6.75 in from a wall give 0.1, 0.5, 1 ms (τ = 2d/c, here exact)."""
    found = geometry(path_difference=f"{2 * inches} in")

    assert found.delay_ms == pytest.approx(delay_ms, abs=0.001)
    assert notches_hz(found.delay_ms, inverted=False, up_to_hz=6000)[0] == pytest.approx(null_hz, abs=1)


@pytest.mark.parametrize(
    ("direct_ft", "reflected_ft", "delay_ms", "null_hz", "level_db"),
    [(1.0, 10.1, 8.05, 62, 20.09), (4.0, 10.0, 5.31, 94, 7.96), (10.3, 11.6, 1.15, 435, 1.03)],
)
def test_floor_bounce(direct_ft, reflected_ft, delay_ms, null_hz, level_db):
    """Everest & Pohlmann, table of a mic's floor bounce: levels −20, −8, −1 dB; exact numbers here."""
    found = geometry(distances=(f"{direct_ft} ft", f"{reflected_ft} ft"))

    assert found.delay_ms == pytest.approx(delay_ms, abs=0.006)
    assert found.level_difference_db == pytest.approx(level_db, abs=0.006)
    assert notches_hz(found.delay_ms, inverted=False, up_to_hz=500)[0] == pytest.approx(null_hz, abs=0.6)


def test_two_podium_mics():
    """Everest & Pohlmann: 24 in apart, a talker 18 in off their line moves 3 in: 0.2 ms, exactly 0.244."""
    distance, angle = math.hypot(18, 3), math.degrees(math.atan(3 / 18))
    found = geometry(spacing="24 in", source_distance=f"{distance} in", source_angle=f"{angle}")

    assert found.delay_ms == pytest.approx(0.244, abs=0.0006)
    assert notches_hz(found.delay_ms, inverted=False, up_to_hz=3000)[0] == pytest.approx(2051, abs=5)


@pytest.mark.parametrize(
    ("centimetres", "angle", "microseconds", "null_hz"),
    [
        (17, 90, 495.3, 1009),  # ORTF
        (17, 55, 405.8, None),
        (30, 90, 874.1, 572),  # NOS
        (20, 90, 582.8, 858),  # DIN
        (40, 90, 1165.5, None),  # A-B
        (50, 90, 1456.9, None),
        (100, 90, 2913.8, None),
        (0, 90, 0.0, None),  # coincident
    ],
)
def test_spaced_pairs(centimetres, angle, microseconds, null_hz):
    """Far source: τ = s·sin θ/c, at 343.2 m/s; spacings by their open trade names."""
    found = geometry(spacing=f"{centimetres} cm", source_angle=str(angle), sound=given_speed(343.2))

    assert 1000 * found.delay_ms == pytest.approx(microseconds, abs=0.06)
    if null_hz:
        assert notches_hz(found.delay_ms, inverted=False, up_to_hz=3000)[0] == pytest.approx(null_hz, abs=1)


def test_near_source_in_line_keeps_the_spacing():
    """On the line of the mics the path difference is the spacing, whatever the distance."""
    found = geometry(spacing="17 cm", source_angle="90", source_distance="1 m", sound=given_speed(343.2))

    assert 1000 * found.delay_ms == pytest.approx(495.3, abs=0.06)
    assert found.level_difference_db == pytest.approx(20 * math.log10(1.085 / 0.915), abs=1e-9)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({}, "Give one of"),
        ({"delay": "1 ms", "spacing": "1 m"}, "say the same thing twice"),
        ({"delay": "1 ms", "source_angle": "30"}, "belong to --spacing"),
        ({"distances": ("1 m", "2 m"), "level_difference": "6"}, "both say the level"),
        ({"distances": ("0 m", "2 m")}, "above zero"),
        ({"distances": ("1 m", "2 m"), "path_difference": "50 cm"}, "mend one"),
        ({"spacing": "1 m", "source_distance": "40 cm"}, "half the spacing"),
    ],
)
def test_contradictions_are_refused(given, message):
    """Too little, too much, or impossible."""
    with pytest.raises(UsageError, match=message):
        geometry(**given)


@pytest.mark.parametrize(
    ("frequency_hz", "name"),
    [(440.0, "A4"), (261.626, "C4"), (27.5, "A0"), (4186.01, "C8"), (466.164, "A♯4"), (500, "B4 +21 cents")],
)
def test_notes(frequency_hz, name):
    """Equal temperament on A4 = 440 Hz (ISO 16), as tables of piano keys print it; from memory."""
    assert nearest_note(frequency_hz) == name
    assert nearest_note(10.0) is None


def test_seen_notches():
    """A synthetic sum shows its notches; with a second source that fills them it does not."""
    frequency = np.arange(0, 24000, 5.0)
    power_sum = np.full(len(frequency), 2.0)
    comb = 2 + 2 * np.cos(2 * np.pi * frequency * 1e-3)
    expected = notches_hz(1.0, inverted=False, up_to_hz=6000)

    assert seen_notches_hz(frequency, comb, power_sum, expected, least_db=3).tolist() == expected.tolist()
    assert len(seen_notches_hz(frequency, 0.1 * comb + 2, power_sum, expected, least_db=3)) == 0
    inverted = 4 - comb
    assert len(seen_notches_hz(frequency, inverted, power_sum, expected, least_db=3)) == 0
    # A grid too coarse for the notches says nothing.
    assert len(seen_notches_hz(frequency[::40], comb[::40], power_sum[::40], expected, least_db=3)) == 0
