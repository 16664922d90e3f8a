"""Sustained sound: delays against the Cramér-Rao bound, false alarms against chance, and closed forms."""

import numpy as np
import pytest

import polaritykit
from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.evidence.settings import Settings
from polaritykit.sustained.activity import (
    FEWEST_FRAMES,
    FRAME_MS,
    MAX_FRAMES,
    ActivityMeter,
    choose_frames,
    frame_samples,
)
from polaritykit.sustained.frames import spectra_of
from polaritykit.sustained.home_frames import read_frames_of, read_pair
from polaritykit.sustained.mains import leak
from polaritykit.sustained.phase_curve import MIN_SIGNIFICANCE, phase_curve

RATE = 48_000
SIZE = 4096
MARGIN = 512
SEARCH_MS = Settings().search_ms


def band_noise(rng, n, low_hz, high_hz):
    """Gaussian noise with a flat spectrum between two frequencies, unit power inside per hertz of 48 kHz."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    frequency = np.fft.rfftfreq(n, 1 / RATE)
    return np.fft.irfft(spectrum * ((frequency >= low_hz) & (frequency < high_hz)), n)


def delayed(samples, lag):
    """Circular delay by a phase ramp."""
    frequency = np.fft.rfftfreq(len(samples))
    return np.fft.irfft(np.fft.rfft(samples) * np.exp(-2j * np.pi * frequency * lag), len(samples))


def cut(samples, n_frames):
    """Consecutive frames with a margin at both ends, shape (n_frames, size + 2 margin)."""
    starts = MARGIN + SIZE * np.arange(n_frames)
    return np.stack([samples[at - MARGIN : at + SIZE + MARGIN] for at in starts])


def two_tracks(rng, *, lag=0.0, sign=1, noise=0.1, n_frames=24, band=(200, 8000)):
    """Make a common sound, late and with a sign in the second track; white noise of its own in each."""
    n = SIZE * n_frames + 4 * MARGIN
    sound = band_noise(rng, n, *band)
    own = noise * rng.standard_normal((2, n))
    return cut(sound + own[0], n_frames), cut(sign * delayed(sound, lag) + own[1], n_frames)


def curve_of(a, b, search_ms=SEARCH_MS):
    """Phase curve of two sets of frames."""
    return phase_curve(spectra_of(a, SIZE, MARGIN), spectra_of(b, SIZE, MARGIN), RATE, search_ms=search_ms)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("lag", [0.0, 12.3, -40.0, 300.6])
def test_lag_and_sign_of_a_late_copy(lag, sign):
    """The peak within a quarter of a sample; nothing else comes near it."""
    found = curve_of(*two_tracks(np.random.default_rng(1), lag=lag, sign=sign))

    assert found.offset_s * RATE == pytest.approx(lag, abs=0.25)
    assert found.sign == sign
    assert found.unison == pytest.approx(1.0, abs=0.02)
    assert found.significance > MIN_SIGNIFICANCE
    assert not found.at_edge


def offset_of(samples_a, samples_b):
    """Offset and its standard deviation in samples, as an analysis reads them; None where it does not."""
    recording = ArrayRecording({"a": samples_a, "b": samples_b}, RATE)
    meter = ActivityMeter(2, len(samples_a), RATE)
    meter.update(np.stack([samples_a, samples_b]).astype(np.float32))
    reading = read_pair(recording, read_frames_of(recording, meter.levels_db(), 0, SEARCH_MS), 1)
    if reading.curve.significance < MIN_SIGNIFICANCE:
        return None
    return reading.offset_s * RATE, reading.std_s * RATE


@pytest.mark.parametrize(
    ("n_samples", "snr_db", "band"),
    [
        (4096, 0, (0, 24_000)),
        (4096, 20, (300, 3000)),
        (4096, 20, (1000, 4000)),
        (4096, 40, (200, 8000)),
        (12_000, 0, (0, 24_000)),
        (24_000, 10, (300, 3000)),
        (24_000, 20, (1000, 2000)),
    ],
)
def test_error_is_near_the_cramer_rao_bound_and_told(n_samples, snr_db, band):
    """Quazi 1981, flat band f1 to f2, equal SNR s: var >= 3 (1 + 2 s) / (8 pi^2 T s^2 (f2^3 - f1^3))."""
    runs, s = 100, 10 ** (snr_db / 10)
    bound = 3 * (1 + 2 * s) / (8 * np.pi**2 * n_samples / RATE * s**2 * (band[1] ** 3 - band[0] ** 3))
    errors, told = [], []
    for seed in range(runs):
        rng = np.random.default_rng([seed, n_samples])
        lag = rng.uniform(-60, 60)
        sound = band_noise(rng, n_samples + 400, *band)
        # As loud inside its band as the noise there, times the ratio.
        own = 10 ** (-snr_db / 20) * rng.standard_normal((2, n_samples))
        found = offset_of(sound[200:-200] + own[0], delayed(sound, lag)[200:-200] + own[1])
        if found is not None:
            errors.append(found[0] - lag)
            told.append(found[1])
    rms = np.sqrt(np.mean(np.square(errors)))

    assert len(errors) >= 0.95 * runs
    # 100 runs know their rms within 7 % (one sigma): 1.2 times the bound and twice that at most.
    assert 0.85 < rms / (np.sqrt(bound) * RATE) < 1.2 * 1.14
    assert np.median(told) == pytest.approx(rms, rel=0.25)
    assert abs(np.mean(errors)) < 4 * rms / np.sqrt(runs)


def test_strangers_are_never_significant():
    """Two hundred unrelated pairs stay below the threshold, short ones of a dozen frames too."""
    worst = 0.0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        n_frames = (12, 24)[seed % 2]
        a, b = (cut(rng.standard_normal(SIZE * n_frames + 4 * MARGIN), n_frames) for _ in range(2))
        found = curve_of(a, b)
        worst = max(worst, 0.0 if found is None else found.significance)

    assert worst < MIN_SIGNIFICANCE


@pytest.mark.parametrize("n_samples", [15_000, 40_000])
def test_mains_alone_are_no_common_sound_in_a_short_take(n_samples):
    """Frames too short to tell lines of the mains apart: the whole take does."""
    rng = np.random.default_rng(3)
    time = np.arange(n_samples) / RATE
    hum = 0.1 * sum(np.cos(2 * np.pi * 60 * k * time + k * k) for k in range(1, 30))
    own = 0.003 * rng.standard_normal((2, n_samples))
    pair = polaritykit.analyse_arrays(
        {"a": hum + own[0], "b": 0.7 * hum + own[1]}, sample_rate_hz=RATE
    ).pairs[0]

    assert (pair.related, pair.polarity) == (False, "unclear")


@pytest.mark.parametrize("noise", [0.3, 0.02])
def test_mains_alone_are_no_common_sound(noise):
    """Both tracks hear the harmonics of 50 Hz and else nothing of each other."""
    rng = np.random.default_rng(3)
    n = 10 * RATE
    time = np.arange(n) / RATE
    hum = 0.1 * sum(np.cos(2 * np.pi * 50 * k * time + k) / k for k in range(1, 30))
    own = 0.1 * noise * rng.standard_normal((2, n))
    pair = polaritykit.analyse_arrays(
        {"a": hum + own[0], "b": 0.7 * hum + own[1]}, sample_rate_hz=RATE
    ).pairs[0]

    assert (pair.related, pair.relation, pair.polarity) == (False, "hum", "unclear")


def test_leak_of_a_line_follows_the_window():
    """The envelope of a Hann window's transform: a line between two bins stays below it (Harris 1978)."""
    time = np.arange(SIZE)
    for part in (0.0, 0.25, 0.5):
        line = np.cos(2 * np.pi * (300 + part) * time / SIZE)
        power = np.abs(spectra_of(line[None], SIZE)[0]) ** 2
        made = leak(power, np.array([300]))
        far = slice(304, 480)

        # Half a bin off the nearest one: 1.4 dB too low there, and half a bin nearer here.
        assert np.all(power[far] < 3.5 * made[far])
        assert part == 0.0 or np.all(power[far] > 0.3 * made[far])


def test_crosstalk_is_called_crosstalk():
    """Two noises that take turns; each is also in the other track, 60 dB lower and without any delay."""
    rng = np.random.default_rng(8)
    n = 10 * RATE
    gate = (np.arange(n) // RATE) % 2 == 0
    a, b = (rng.standard_normal(n) * where + 1e-4 * rng.standard_normal(n) for where in (gate, ~gate))
    pair = polaritykit.analyse_arrays({"a": a + 1e-3 * b, "b": b + 1e-3 * a}, sample_rate_hz=RATE).pairs[0]

    assert (pair.related, pair.relation, pair.polarity) == (False, "crosstalk", "unclear")
    assert pair.cause.code == "crosstalk"


@pytest.mark.parametrize("octaves", [1, 2, 4])
def test_rival_of_a_band_follows_its_closed_form(octaves):
    """The largest opposite lobe of a flat band low..high is that of the integral of cos(2 pi f t)."""
    low = 500.0
    high = low * 2**octaves
    time = np.arange(1, 4000) * 1e-6
    closed = (np.sin(2 * np.pi * high * time) - np.sin(2 * np.pi * low * time)) / (
        2 * np.pi * time * (high - low)
    )
    found = curve_of(*two_tracks(np.random.default_rng(2), noise=0.02, band=(low, high)))

    assert found.rival == pytest.approx(-closed.min(), abs=0.05)


@pytest.mark.parametrize("lag", [40, -40, 3, -3])
@pytest.mark.parametrize("n_samples", [4000, 10_000, 33_000])
def test_short_takes(n_samples, lag):
    """A tenth of a second and more: frames shrink, and whole windows still fit, in either direction."""
    noise = 0.1 * np.random.default_rng(7).standard_normal(n_samples + 80)
    tracks = {"a": noise[40 : 40 + n_samples], "b": noise[40 - lag : 40 - lag + n_samples]}
    pair = polaritykit.analyse_arrays(tracks, sample_rate_hz=RATE).pairs[0]

    assert pair.offset_ms * 1e-3 * RATE == pytest.approx(lag, abs=0.1)
    assert pair.polarity == "same"


def test_peak_at_the_edge_is_said_to_be_there():
    """An offset larger than the search shows as its edge, not as an answer."""
    found = curve_of(*two_tracks(np.random.default_rng(4), lag=96.2), search_ms=2.0)

    assert found.at_edge


@pytest.mark.parametrize("block", [1000, 4096, 100_000])
def test_levels_do_not_depend_on_the_blocks(block):
    """Frames are counted from the first sample, however the take is cut; full scale white noise has 3 dB."""
    samples = np.random.default_rng(5).standard_normal((2, 50_000)).astype(np.float32)
    samples[1] *= 0.1
    meter = ActivityMeter(2, samples.shape[1], RATE)
    for start in range(0, samples.shape[1], block):
        meter.update(samples[:, start : start + block])
    levels = meter.levels_db()

    assert len(levels) == samples.shape[1] // meter.frame_samples
    # The first difference of white noise has twice its power.
    assert levels[:, 0] == pytest.approx(10 * np.log10(2), abs=0.5)
    assert levels[:, 1] == pytest.approx(10 * np.log10(2) - 20, abs=0.5)


@pytest.mark.parametrize("n_samples", [500, 20_000, 10_000_000])
def test_frames_are_powers_of_two_that_fit(n_samples):
    """Near the wanted length in a long take, shorter in a short one."""
    size = frame_samples(n_samples, RATE)

    assert size & (size - 1) == 0
    assert size <= max(64, n_samples // FEWEST_FRAMES)
    assert size <= FRAME_MS * 1e-3 * RATE * np.sqrt(2)


def test_frames_are_those_in_which_the_home_track_is_loud_against_the_others():
    """One plays in the first half, the other in the second."""
    levels = np.full((100, 2), -60.0)
    levels[:50, 0], levels[50:, 1] = -10.0, -10.0

    assert np.all(choose_frames(levels, 0) < 50)
    assert np.all(choose_frames(levels, 1) >= 50)
    assert len(choose_frames(np.tile(levels, (50, 1)), 0)) <= MAX_FRAMES


def test_two_sources_that_leak_have_offsets_of_opposite_sign():
    """Each in the frames that are its own: 60 samples one way, 25 the other."""
    rng = np.random.default_rng(6)
    n = 8 * RATE
    gate = (np.arange(n) // RATE) % 2 == 0
    voice, guitar = (rng.standard_normal(n) * where for where in (gate, ~gate))
    tracks = {
        "voice": voice + 0.2 * delayed(guitar, 25),
        "guitar": guitar + 0.2 * delayed(voice, 60),
    }
    recording = ArrayRecording(tracks, RATE)
    meter = ActivityMeter(2, n, RATE)
    meter.update(np.stack(list(tracks.values())).astype(np.float32))
    frames = [read_frames_of(recording, meter.levels_db(), home, SEARCH_MS) for home in (0, 1)]
    own = [read_pair(recording, one, 1 - one.home) for one in frames]

    assert own[0].offset_s * RATE == pytest.approx(60, abs=0.1)
    assert own[1].offset_s * RATE == pytest.approx(25, abs=0.1)
    assert [reading.curve.sign for reading in own] == [1, 1]


def reason_of(sound, heard):
    """Polarity and reason of a pair; both tracks have noise of their own, 60 dB down."""
    rng = np.random.default_rng(9)
    tracks = {"a": sound, "b": heard}
    tracks = {name: x + 1e-3 * rng.standard_normal(len(x)) for name, x in tracks.items()}
    pair = polaritykit.analyse_arrays(tracks, sample_rate_hz=RATE).pairs[0]
    return pair.related, pair.polarity, pair.cause and pair.cause.code


def test_reasons_of_sustained_pairs_are_their_own():
    """What keeps a sign back is said as it is: a narrow band, a filter that turns part of it, no sound."""
    rng = np.random.default_rng(10)
    n = 6 * RATE
    narrow = band_noise(rng, n, 900, 1300)
    wide = band_noise(rng, n, 100, 8000)
    # Below 1.5 kHz one sign, above it the other: no polarity explains both.
    spectrum = np.fft.rfft(wide)
    turned = np.fft.irfft(np.where(np.fft.rfftfreq(n, 1 / RATE) < 1500, -1, 1) * spectrum, n)

    assert reason_of(narrow, delayed(narrow, 20))[:2] == (True, "unclear")
    assert reason_of(narrow, delayed(narrow, 20))[2] == "narrow"
    # Each microphone has noise of its own; without any, the one would be a filtered copy of the other.
    own = 0.1 * rng.standard_normal(n)
    assert reason_of(wide, delayed(turned, 20) + own)[2] == "mixed"
    # Frames reach 40 ms and the test of the whole take 50; beyond that nothing is claimed.
    assert reason_of(wide, delayed(wide, 1920))[:2] == (True, "same")
    related, polarity, _ = reason_of(wide, delayed(wide, 3360) + own)
    assert (related, polarity) == (False, "unclear")
