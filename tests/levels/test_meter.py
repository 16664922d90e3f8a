"""Levels and faults against closed forms, and what must not raise an alarm."""

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, sosfilt
from shared_data import need_shared_data

from polaritykit.levels.faults import level_advice, track_remarks
from polaritykit.levels.headroom import sum_headroom_db, worst_sum_dbfs
from polaritykit.levels.meter import LevelMeter
from polaritykit.levels.settings import LevelSettings

RATE = 48000
SECONDS = np.arange(6 * RATE) / RATE


def measure(tracks, rate=RATE, block=20011, names=None):
    """Levels of all tracks, fed in blocks of an awkward length."""
    tracks = np.atleast_2d(tracks)
    meter = LevelMeter(names or [f"t{number}" for number in range(len(tracks))], rate)
    for start in range(0, tracks.shape[1], block):
        meter.update(tracks[:, start : start + block].astype(np.float32))
    return meter.result()


def sine(frequency_hz, amplitude=1.0):
    """Sine of six seconds."""
    return amplitude * np.sin(2 * np.pi * frequency_hz * SECONDS)


def sixteen_bit(signal):
    """Round to 16 bits."""
    return np.clip(np.round(signal * 32768), -32768, 32767) / 32768


def noise(seed=0, level_db=-20.0):
    """White noise of the given RMS."""
    return 10 ** (level_db / 20) * np.random.default_rng(seed).standard_normal(len(SECONDS))


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_sine_levels(rate):
    """A sine of amplitude a: peak a, RMS a/√2, crest 3.01 dB (closed form)."""
    signal = 0.25 * np.sin(2 * np.pi * 997 * np.arange(2 * rate) / rate)

    (levels,) = measure(signal, rate=rate)

    assert levels.peak_dbfs == pytest.approx(-12.04, abs=0.01)
    assert levels.true_peak_dbtp == pytest.approx(-12.04, abs=0.02)
    assert levels.rms_dbfs == pytest.approx(-15.05, abs=0.01)
    assert levels.crest_db == pytest.approx(3.01, abs=0.01)
    assert levels.faults == ()


@pytest.mark.parametrize("block", [1999, 48000, 10**6])
def test_blocks_do_not_matter(block):
    """The same numbers whatever the block length; the reference is one block of everything."""
    tracks = np.stack([noise(1) * (SECONDS % 1 < 0.2), np.clip(sine(100, 1.4), -1, 1)])

    parts, whole = measure(tracks, block=block), measure(tracks, block=tracks.shape[1])

    for one, other in zip(parts, whole, strict=True):
        assert one.faults == other.faults
        assert one.clipped_samples == other.clipped_samples
        assert one.true_peak_dbtp == pytest.approx(other.true_peak_dbtp, abs=1e-4)
        assert one.rms_dbfs == pytest.approx(other.rms_dbfs, abs=1e-4)
        assert one.noise_floor_dbfs == pytest.approx(other.noise_floor_dbfs, abs=0.3)


def test_clipped_sine_counts_every_flat_top():
    """A sine driven 3 dB over: 2 tops a period, each lasting 2·acos(1/1.413)/2π of it (closed form)."""
    over = 10 ** (3 / 20)
    (levels,) = measure(np.clip(sine(101, over), -1, 1))
    share = 2 * np.arccos(1 / over) / np.pi

    assert levels.clipped_runs == pytest.approx(2 * 101 * 6, abs=2)
    assert levels.clipped_samples == pytest.approx(share * len(SECONDS), rel=0.03)
    assert levels.clip_dbfs == pytest.approx(0, abs=0.001)
    assert "clipped" in levels.faults


def drums(seed):
    """Decaying band-limited hits twice a second over a quiet floor."""
    hits = noise(seed, 0) * np.exp(-(SECONDS % 0.5) * 20)
    return sosfilt(butter(2, [80, 4000], "bandpass", fs=RATE, output="sos"), hits)


@pytest.mark.parametrize("gain_db", [0, -0.5, -10, -20])
@pytest.mark.parametrize("kind", ["float", "16 bit", "dithered"])
def test_clipped_and_turned_down(gain_db, kind):
    """Flat tops are found at their level, as long as they are flat within the noise that follows."""
    signal = drums(3)
    signal = 10 ** (gain_db / 20) * np.clip(signal / np.abs(signal).max() * 3, -0.999, 0.999)
    if kind != "float":
        signal = sixteen_bit(signal)
    if kind == "dithered":
        rng = np.random.default_rng(0)
        signal = sixteen_bit(signal + rng.uniform(-1, 1, len(signal)) / 32768)

    (levels,) = measure(signal)

    assert "clipped" in levels.faults
    assert levels.clip_dbfs == pytest.approx(gain_db, abs=0.05)


CLEAN = {
    "full-scale 1 kHz, 16 bit": sixteen_bit(sine(1000)),
    "full-scale 30.3 Hz, 16 bit": sixteen_bit(sine(30.3)),
    "quiet low note, 16 bit": sixteen_bit(sine(35.7, 0.02)),
    "low note, 8 bit": np.round(100 * sine(20.3)) / 128,
    "low note, 8 bit, turned down": 0.37 * np.round(100 * sine(20.3)) / 128,
    "square": 0.5 * np.sign(sine(103.3)),
    "pulse": np.where((103.3 * SECONDS) % 1 < 0.1, 0.5, -0.1),
    "triangle": 0.5 * (2 * np.abs((103.3 * SECONDS) % 1 * 2 - 1) - 1),
    "sawtooth": 0.5 * ((103.3 * SECONDS) % 1 * 2 - 1),
    "samples held six times": np.repeat(noise(2)[: len(SECONDS) // 6], 6),
    "normalised noise": sixteen_bit(noise(4) / np.abs(noise(4)).max()),
    "normalised drums": sixteen_bit(drums(5) / np.abs(drums(5)).max()),
    "dither only": sixteen_bit(noise(6, -92)),
}


@pytest.mark.parametrize("name", CLEAN)
def test_nothing_clipped_here(name):
    """Material that repeats its top value though nothing clipped."""
    (levels,) = measure(CLEAN[name])

    assert (levels.clipped_runs, levels.clip_dbfs) == (0, None)


def test_noise_floor_is_what_the_pauses_hold():
    """Hits over noise of a known level: its RMS within half a decibel."""
    (levels,) = measure(np.where(SECONDS % 1 < 0.7, noise(1, -20), 0) + noise(2, -66))

    assert levels.noise_floor_dbfs == pytest.approx(-66, abs=0.5)


def test_dc_offset():
    """Found where it is constant; a low note cut anywhere has none."""
    with_dc, without = measure(np.stack([noise(1) + 0.004, sine(41.3, 0.5)]))

    assert with_dc.dc_offset == pytest.approx(0.004, abs=0.001)
    assert with_dc.faults == ("dc_offset",)
    assert without.faults == ()


@pytest.mark.parametrize("length", [2000, 20000, 48000])
def test_short_takes_of_a_low_note_have_no_dc(length):
    """A few periods do not average to zero; that is not an offset."""
    assert measure(sine(41.3, 0.5)[:length])[0].faults == ()


def test_silence():
    """Digital silence has no level; steady noise far down is a dead channel; noise at -20 dBFS is sound."""
    nothing, stuck, open_input, loud = measure(
        np.stack([0 * SECONDS, 0 * SECONDS + 0.3, noise(1, -72), noise(2, -20)])
    )

    assert (nothing.peak_dbfs, nothing.true_peak_dbtp, nothing.rms_dbfs) == (None, None, None)
    assert nothing.faults == ("silent",)
    assert stuck.faults == ("silent", "dc_offset")
    assert "silent" in open_input.faults
    assert loud.faults == ()


def test_copies():
    """A copy up to gain and sign, after 24 bits; a delayed copy and a noisy one are none."""
    first = noise(1)
    copy = np.round(-0.3 * first * 2**23) / 2**23
    tracks = [noise(2), first, copy, np.roll(first, 7), first + noise(3, -70), 0.5 * copy]

    found = [levels.duplicate_of for levels in measure(np.stack(tracks))]

    assert found == [None, None, "t1", None, None, "t1"]


@pytest.mark.parametrize("frequency", [750, 1500, 3000, 6000, 12000])
def test_a_tone_with_another_phase_is_no_copy(frequency):
    """Sine and cosine have correlation 0; met at one phase of their period only they would have ±1."""
    phase = 2 * np.pi * frequency * np.arange(RATE) / RATE + 0.3
    assert [x.duplicate_of for x in measure(0.1 * np.stack([np.sin(phase), np.cos(phase)]))] == [None, None]


def test_silent_channels_with_one_dc_are_no_copies():
    """A common constant is not common sound."""
    assert [x.duplicate_of for x in measure(np.full((2, RATE), 0.1))] == [None, None]


@pytest.mark.parametrize("mains", [50, 60])
@pytest.mark.parametrize("off", [-0.15, 0.0, 0.1])
def test_hum_under_drums(mains, off):
    """Fundamental and third harmonic, mains a little off: found, at the level put in."""
    base = mains + off
    hum = 0.004 * np.sin(2 * np.pi * base * SECONDS) + 0.002 * np.sin(2 * np.pi * 3 * base * SECONDS + 1)
    (levels,) = measure(drums(7) * 0.1 + hum + noise(8, -70))

    assert levels.hum_hz == mains
    # RMS of both lines: 10·log10((0.004² + 0.002²)/2).
    assert levels.hum_dbfs == pytest.approx(-50.0, abs=1.5)
    assert "hum" in levels.faults


BASS_HZ = {"G1": 48.9994, "G#1": 51.913, "A#1": 58.270, "B1": 61.735, "G2": 97.999, "B2": 123.471}


@pytest.mark.parametrize("note", BASS_HZ)
@pytest.mark.parametrize("decay", [0.0, 1.5])
def test_a_bass_note_is_not_hum(note, decay):
    """Notes nearest to the mains lines (equal temperament, A = 440 Hz), held or plucked, with harmonics."""
    shape = np.exp(-decay * (SECONDS % 1.5))
    signal = sum(shape * sine(BASS_HZ[note] * k, 0.3 / k) for k in (1, 2, 3)) + noise(1, -70)

    assert measure(signal)[0].hum_hz is None


def test_broadband_noise_is_not_hum():
    """Twenty seeds of noise, none of them hum (the threshold's chance is below 1e-9 a line)."""
    rng = np.random.default_rng(0)

    assert all(levels.hum_hz is None for levels in measure(0.1 * rng.standard_normal((20, 6 * RATE))))


def test_real_recordings_are_sound():
    """A published multitrack drum recording: nothing is clipped, dead, copied or humming."""
    files = sorted(need_shared_data("kit").glob("*/*_01.*.flac"))
    for path in files[::7]:
        samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
        assert measure(samples.T, rate=rate)[0].faults == (), path.name


def test_worst_sum_and_headroom():
    """Two full-scale halves in phase reach 0 dBFS; the sum's own headroom follows the phase (closed form)."""
    assert worst_sum_dbfs([-6.0206, None, -6.0206]) == pytest.approx(0, abs=1e-3)
    assert worst_sum_dbfs([None]) is None
    together = np.stack([sine(1000, 0.25), sine(1000, 0.25)]).astype(np.float32)

    assert sum_headroom_db([together]) == pytest.approx(6.02, abs=0.02)
    assert sum_headroom_db([together * np.float32([[1], [-0.5]])]) == pytest.approx(18.06, abs=0.02)
    assert sum_headroom_db([together * np.float32([[1], [-1]])]) is None


def test_advice_in_the_trade_s_order():
    """Microphone's own pad before the preamp's, then the warning about full scale (common practice)."""
    names = ("kick", "over", "room")
    levels = measure(np.stack([np.clip(sine(101, 1.4), -1, 1), sine(997, 0.9), sine(997, 0.1)]))

    text = " ".join(level_advice(names, levels))

    assert "Too loud: kick." in text
    assert "under full scale: over." in text
    assert "room" not in text
    assert text.index("microphone's own pad") < text.index("preamp's pad") < text.index("Keep digital peaks")
    assert level_advice(("room",), levels[2:]) == ()


def test_remarks_name_every_fault():
    """One sentence for each fault, none without."""
    clipped = 0.3 * np.clip(sine(103.3, 1.4), -1, 1)
    levels = measure(np.stack([clipped, -clipped, 0 * SECONDS, noise(1)]))

    assert "below full scale" in " ".join(track_remarks(levels[0]))
    assert "copy of t0" in " ".join(track_remarks(levels[1]))
    assert "dead channel" in " ".join(track_remarks(levels[2]))
    assert track_remarks(levels[3]) == ()


def test_settings_move_the_thresholds():
    """A stricter true-peak limit turns the same signal into a fault."""
    meter = LevelMeter(("a",), RATE, LevelSettings(true_peak_limit_dbtp=-1.0))
    meter.update(sine(997, 0.95).astype(np.float32)[np.newaxis])

    assert meter.result()[0].faults == ("true_peak_over",)


def test_empty_take():
    """No sample at all: silent, no levels, no warning."""
    (levels,) = LevelMeter(("a",), RATE).result()

    assert levels.faults == ("silent",)
