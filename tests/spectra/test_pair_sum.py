"""Summed response and band levels against closed forms and against sums made sample by sample."""

import numpy as np
import pytest

from polaritykit.spectra.pair_sum import (
    FLOOR_DB,
    band_coherence,
    band_gains,
    band_phase_deg,
    energy_band,
    log_bands,
    sum_effects_db,
    sum_level_db,
    summed_response,
)
from polaritykit.spectra.records import PairSpectra

RATE = 48_000
N = 8192
FREQUENCY = np.fft.rfftfreq(N, 1 / RATE)
#: A chosen limit of the display, no measurement.

#: Level of the copy -> peak and notch, dB, 20 log10(1 ± a) re the stronger track (closed form).
LEVELS = [(-3, 4.65, -10.69), (-9.54, 2.50, -3.52), (-20, 0.83, -0.92)]
#: Correlation -> 10 log10((1 + r) / (1 - r)): 3, 1/3, 9, 1 by hand; the whole range is held within the floor.
EFFECTS = [(0.5, 4.771), (-0.5, -4.771), (0.8, 9.542), (0.0, 0.0), (1.0, -FLOOR_DB)]


def spectra_of(delay_ms, gain=1.0, power=1.0):
    """Spectra of any signal of power ``power`` and its copy: the textbook's direct plus delayed sound."""
    auto = np.full(FREQUENCY.shape, power)
    cross = gain * auto * np.exp(-2j * np.pi * FREQUENCY * delay_ms * 1e-3)
    return PairSpectra(frequency_hz=FREQUENCY, auto_a=auto, auto_b=gain**2 * auto, cross=cross)


def measured(a, b):
    """Spectra of two periodic signals of N samples: one exact transform, no window."""
    fa, fb = np.fft.rfft(a), np.fft.rfft(b)
    return PairSpectra(
        frequency_hz=FREQUENCY, auto_a=np.abs(fa) ** 2, auto_b=np.abs(fb) ** 2, cross=np.conj(fa) * fb
    )


def late(signal, samples):
    """Exact (circular) delay by a phase ramp; the Nyquist bin is real, so it is emptied first."""
    spectrum = np.fft.rfft(signal)
    spectrum[-1] = 0
    return np.fft.irfft(spectrum * np.exp(-2j * np.pi * np.arange(N // 2 + 1) * samples / N), N)


def noise(seed=1):
    """White noise without a Nyquist component."""
    return late(np.random.default_rng(seed).standard_normal(N), 0)


@pytest.mark.parametrize(
    ("delay_ms", "invert", "notches"),
    [
        # Everest and Pohlmann, Master Handbook of Acoustics, ch. "Comb-Filter Effects": nulls at odd
        # multiples of 1/(2 tau); inverted by the sign change: multiples of 1/tau.
        (1.0, False, [500, 1500, 2500]),
        (-1.0, False, [500, 1500, 2500]),
        (1.0, True, [1000, 2000]),
        (0.5, False, [1000, 3000]),
        (0.1, False, [5000, 15000]),
    ],
)
def test_notches_stand_where_the_textbook_has_them(delay_ms, invert, notches):
    """Notches of a delayed copy."""
    bands = log_bands(FREQUENCY)
    curve = summed_response(spectra_of(delay_ms), bands, invert=invert)
    for notch in notches:
        near = np.abs(np.log2(bands.centre_hz / notch)) < 1 / 6
        # Middle of what lies at the floor.
        lowest = bands.centre_hz[near][curve[near] <= curve[near].min() + 1e-9]
        assert np.sqrt(lowest[0] * lowest[-1]) == pytest.approx(notch, rel=0.02)
    if not invert:
        # 1/tau is NOT a null for the same polarity (one open textbook has it so): it is the +3.01 dB peak.
        peak = np.argmin(np.abs(bands.centre_hz - 1000 / abs(delay_ms)))
        assert curve[peak] > 2.9


@pytest.mark.parametrize(("rho", "level"), [(1, 6.02), (0.5, 4.77), (0, 3.01), (-0.5, 0.0), (-0.9, -6.99)])
def test_level_follows_the_correlation(rho, level):
    """Equal tracks, any correlation."""
    # 10 log10(1 + g^2 + 2 g rho) with g = 1, re one track (textbook); re the power sum 3.01 dB less.
    a = spectra_of(0.0)
    pair = PairSpectra(frequency_hz=FREQUENCY, auto_a=a.auto_a, auto_b=a.auto_b, cross=rho * a.cross)

    assert sum_level_db(pair, band_hz=(100, 5000)) == pytest.approx(level - 3.0103, abs=0.005)


@pytest.mark.parametrize(("copy_db", "peak", "notch"), LEVELS)
def test_peak_and_notch_follow_the_level_difference(copy_db, peak, notch):
    """Closed form, here against the power sum."""
    g = 10 ** (copy_db / 20)
    power_sum = 10 * np.log10(1 + g**2)
    bands = log_bands(FREQUENCY)

    assert summed_response(spectra_of(0, g), bands) == pytest.approx(peak - power_sum, abs=0.01)
    assert summed_response(spectra_of(0, g), bands, invert=True) == pytest.approx(notch - power_sum, abs=0.01)


@pytest.mark.parametrize("offset", [37, -37, 12.3, -0.4])
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("invert", [False, True])
def test_level_equals_the_sum_made_sample_by_sample(offset, sign, invert):
    """The sum really made and its power really taken, by a phase ramp the module does not use."""
    a, other = noise(1), noise(2)
    b = sign * 0.7 * late(a, offset) + 0.2 * other
    pair = measured(a, b)
    for delay in (0.0, -offset, 20.0):
        heard = a + (-1 if invert else 1) * late(b, delay)
        expected = 10 * np.log10(np.sum(heard**2) / (np.sum(a**2) + np.sum(b**2)))
        # The whole band; bins but 0 Hz count twice in the time domain, and 0 Hz holds 1/4096 of the power.
        level = sum_level_db(pair, band_hz=(0, RATE / 2), delay_ms=delay / RATE * 1e3, invert=invert)
        assert level == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("offset_ms", [1.5, -1.5])
def test_four_options_come_from_one_convention(sign, offset_ms):
    """B late is positive; aligning advances b; swapping the pair negates the offset and keeps every level."""
    a = noise()
    b = sign * late(a, offset_ms * RATE / 1e3)
    bands = log_bands(FREQUENCY)
    there, back = measured(a, b), measured(b, a)
    aligned, aligned_flipped = (
        summed_response(there, bands, delay_ms=-offset_ms, invert=invert) for invert in (False, True)
    )
    full, gone = (aligned, aligned_flipped)[::sign]

    assert full == pytest.approx(3.0103, abs=1e-6)
    assert gone == pytest.approx(FLOOR_DB)
    for invert in (False, True):
        swapped = summed_response(back, bands, invert=invert)
        assert summed_response(there, bands, invert=invert) == pytest.approx(swapped, abs=1e-6)


def test_gain_of_flipping_a_delayed_copy_is_nothing_over_a_wide_band():
    """Both signs give 1 + a^2 once bandwidth times delay is large; below 1/(4 tau) the flip decides."""
    wide = band_gains(spectra_of(5.0), offset_ms=5.0, band_hz=(200, 16000))
    low = band_gains(spectra_of(5.0), offset_ms=5.0, band_hz=(20, 45))

    assert wide.flipped_db == pytest.approx(0.0, abs=0.05)
    assert wide.aligned_db == pytest.approx(3.01, abs=0.05)
    # Mean of cos(2 pi f tau) over the band: (sin 2pi.225 - sin 2pi.1) / (2pi.125) = 0.509; bins: 6 Hz.
    assert low.flipped_db == pytest.approx(10 * np.log10((1 - 0.509) / (1 + 0.509)), abs=0.15)
    assert low.level_db.as_recorded + low.flipped_db == pytest.approx(low.level_db.flipped)


@pytest.mark.parametrize("gain", [1.0, 0.1, 30.0])
@pytest.mark.parametrize(("rho", "effect"), EFFECTS)
def test_sum_effect_ignores_the_gain(gain, rho, effect):
    """The two tracks are brought to one level first."""
    a = spectra_of(0.0, gain)
    pair = PairSpectra(frequency_hz=FREQUENCY, auto_a=a.auto_a, auto_b=a.auto_b, cross=rho * a.cross)

    assert sum_effects_db(pair, [(50, 500)], [0.0])[0] == pytest.approx(effect, abs=0.001)


def test_sum_effects_of_several_sources_are_those_of_each():
    """Bands that overlap, one without a bin, with delays and without."""
    pair = spectra_of(2.0)
    bands, delays = [(50, 500), (30_000, 31_000), (300, 4000), (300, 4000)], [0.0, 0.0, -2.0, -1.3]

    told = sum_effects_db(pair, bands, delays)
    for band, delay, one in zip(bands, delays, told, strict=True):
        assert sum_effects_db(pair, [band], [delay]) == [pytest.approx(one) if one else None]
    # By definition, from the levels of the sum and of the difference.
    levels = [sum_level_db(pair, band_hz=(300, 4000), delay_ms=-1.3, invert=sign) for sign in (False, True)]
    assert told[3] == pytest.approx(levels[0] - levels[1])
    assert told[1] is None
    assert told[2] == 20.0


def test_no_power_is_not_a_number_out_of_nothing():
    """Silence gives None, zero decibels or zero coherence, and no warning."""
    pair = spectra_of(1.0, power=0.0)

    assert sum_level_db(pair, band_hz=(50, 500)) is None
    assert band_gains(pair, offset_ms=1.0, band_hz=(50, 500)) is None
    assert sum_effects_db(pair, [(50, 500)], [0.0]) == [None]
    assert energy_band(pair.auto_a, FREQUENCY) is None
    assert np.all(summed_response(pair, log_bands(FREQUENCY)) == 0.0)
    assert np.all(band_coherence(pair, log_bands(FREQUENCY), offset_ms=1.0) == 0.0)


def test_energy_band_of_a_flat_spectrum_leaves_a_tenth_on_each_side():
    """80 % of a flat band is its middle."""
    power = np.where((FREQUENCY >= 1000) & (FREQUENCY <= 2000), 1.0, 0.0)
    power[0] = 1e9  # a DC offset carries no sound

    assert energy_band(power, FREQUENCY) == pytest.approx((1100, 1900), abs=10)
    assert energy_band(power, FREQUENCY, share=0.5) == pytest.approx((1250, 1750), abs=10)


def test_energy_band_of_one_line_is_that_line():
    """A single bin carries it all."""
    power = np.zeros(FREQUENCY.shape)
    power[100] = 1.0

    assert energy_band(power, FREQUENCY) == (FREQUENCY[100], FREQUENCY[100])


def test_bands_are_runs_of_bins_around_their_centres():
    """Bands worked out by hand."""
    bands = log_bands(FREQUENCY)

    fine = bands.centre_hz[bands.centre_hz > 1000]
    assert fine[48] / fine[0] == pytest.approx(2.0)  # 48 points to the octave
    assert len(set(zip(bands.first, bands.last, strict=True))) == len(bands.first)
    assert 19_500 < bands.centre_hz[-1] <= 20_000
    assert all(first <= last for first, last in zip(bands.first, bands.last, strict=True))
    # 20 Hz lies between bins 3 (17.6 Hz) and 4 (23.4 Hz): the nearest one is taken.
    assert (bands.first[0], bands.last[0]) == (3, 3)
    # 10.24 kHz * 2^(±1/48): bins 1722.6 to 1773.04 by hand (5.859375 Hz a bin).
    near = int(np.argmin(np.abs(bands.centre_hz - 10_240)))
    assert (bands.first[near], bands.last[near]) == (1723, 1773)


def test_phase_and_coherence_of_a_pure_delay():
    """Phase is -360 f tau; the delay itself does not read as incoherence."""
    # 360 f tau: 0.5 ms is 90 degrees at 500 Hz (Everest and Pohlmann); b late lags, hence the minus.
    bands = log_bands(FREQUENCY)
    at_500 = np.argmin(np.abs(bands.centre_hz - 500))
    expected = -360 * bands.centre_hz[at_500] * 0.5e-3

    assert band_phase_deg(spectra_of(0.5), bands)[at_500] == pytest.approx(expected, abs=1)
    flipped = band_phase_deg(spectra_of(0.5), bands, invert=True)[at_500]
    assert flipped == pytest.approx(expected + 180, abs=1)
    assert band_phase_deg(spectra_of(0.5), bands, delay_ms=-0.5) == pytest.approx(0.0, abs=1e-6)
    assert band_coherence(spectra_of(5.0), bands, offset_ms=5.0) == pytest.approx(1.0)
