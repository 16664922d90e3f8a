"""The line-check signal, and absolute polarity read back from rooms, filters and nonsense."""

import json
import warnings

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from scipy.signal import butter, fftconvolve, resample_poly, sosfilt
from shared_data import need_shared_data

from polaritykit.base.errors import UsageError
from polaritykit.commands.pulse import command
from polaritykit.jobs.pulse.read import read_signal
from polaritykit.jobs.pulse.signal import LEAD_S, make_signal, one_period

RATE = 48000


class Tracks:
    """A recording held in memory."""

    def __init__(self, tracks, rate=RATE):
        length = max(len(track) for track in tracks)
        self._tracks = np.zeros((len(tracks), length), dtype=np.float32)
        for row, track in zip(self._tracks, tracks, strict=True):
            row[: len(track)] = track
        self.sample_rate_hz = rate
        self.track_names = tuple(f"ch{number}" for number in range(len(tracks)))
        self.n_samples = length

    def read(self, start, stop, tracks=None):
        """Zeros outside, as every recording gives."""
        rows = self._tracks[list(tracks)] if tracks is not None else self._tracks
        padded = np.zeros((len(rows), stop - start), dtype=np.float32)
        low, high = max(start, 0), min(stop, self.n_samples)
        if high > low:
            padded[:, low - start : high - start] = rows[:, low:high]
        return padded


def read(*tracks, rate=RATE, kind="pulse"):
    """Read some channels."""
    return read_signal(Tracks(tracks, rate), kind=kind)


def with_noise(signal, snr_db, seed=0):
    """Add white noise, the signal's level taken over its middle."""
    middle = signal[len(signal) // 4 : 3 * len(signal) // 4]
    sigma = np.sqrt((middle**2).mean()) * 10 ** (-snr_db / 20)
    return signal + sigma * np.random.default_rng(seed).standard_normal(len(signal))


def highpass(signal, order, corner_hz):
    """Butterworth, as a low-cut."""
    return sosfilt(butter(order, corner_hz, "highpass", fs=RATE, output="sos"), signal)


# The signal


@pytest.mark.parametrize("kind", ["pulse", "two-tone"])
def test_quiet_by_default_and_faded(kind):
    """Peak -30 dBFS, well under the -20 dBFS common practice allows for test pulses; no edge to click."""
    signal = make_signal(kind=kind)

    assert 20 * np.log10(np.abs(signal).max()) == pytest.approx(-30, abs=0.2)
    sounding = np.flatnonzero(signal)
    assert sounding[0] / RATE >= LEAD_S - 0.001
    assert np.abs(signal[sounding[0] : sounding[0] + 48]).max() < 1e-3 * np.abs(signal).max()
    assert np.abs(signal[sounding[-1] - 48 :]).max() < 1e-3 * np.abs(signal).max()


def test_asymmetric_even_through_a_low_cut():
    """Every pulse is positive: after a 100 Hz low-cut the positive peaks are three times the negative."""
    signal = highpass(make_signal(), 2, 100)

    assert signal.max() > 3 * -signal.min()
    assert abs(one_period(RATE).sum()) < 1e-6  # no DC for the loudspeaker


def test_two_tone_is_that_of_aes17():
    """Sin θ - cos 2θ peaks at 2 and -9/8: ratio 16/9 (algebra; AES17 6.2.8 from second-hand sources)."""
    signal = make_signal(kind="two-tone")

    assert signal.max() / -signal.min() == pytest.approx(16 / 9, rel=1e-3)


@pytest.mark.parametrize(
    ("options", "message"),
    [({"level_dbfs": -3.0}, "out of range"), ({"sample_rate_hz": 8000}, "out of range")],
)
def test_refuses(options, message):
    """Nothing loud, nothing that cannot hold the signal."""
    with pytest.raises(UsageError, match=message):
        make_signal(**options)


# Reading


@pytest.mark.parametrize("played", [44100, 48000, 96000])
@pytest.mark.parametrize("recorded", [44100, 48000])
def test_wire(played, recorded):
    """A wire is positive, an inverting one negative, whatever the two sample rates; latency to 0.03 ms."""
    signal = resample_poly(make_signal(sample_rate_hz=played), recorded // 300, played // 300)
    late = np.concatenate([np.zeros(recorded // 40), signal])

    straight, inverted = read(late, -0.1 * late, rate=recorded)

    assert (straight.polarity, inverted.polarity) == ("positive", "negative")
    assert straight.latency_ms == pytest.approx(25.0, abs=0.03)
    assert inverted.latency_ms == pytest.approx(25.0, abs=0.03)


def room(seed, reverberation_s, microphones=3):
    """Impulse responses and distances of a random shoebox room (pyroomacoustics)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pyroomacoustics

        rng = np.random.default_rng(seed)
        size = rng.uniform([4, 3.5, 2.5], [8, 6, 3.5])
        absorption, order = pyroomacoustics.inverse_sabine(reverberation_s, size)
        shoebox = pyroomacoustics.ShoeBox(
            size, fs=RATE, materials=pyroomacoustics.Material(absorption), max_order=min(order, 12)
        )
        shoebox.add_source(rng.uniform([0.7, 0.7, 0.7], size - 0.7))
        places = rng.uniform([0.4, 0.4, 0.4], size - 0.4, (microphones, 3))
        shoebox.add_microphone_array(places.T)
        shoebox.compute_rir()
        distances = np.linalg.norm(places - shoebox.sources[0].position, axis=1)
        return [shoebox.rir[number][0] for number in range(microphones)], distances


@pytest.mark.parametrize(("seed", "reverberation_s"), [(1, 0.3), (2, 0.5), (3, 0.8), (4, 0.8)])
def test_rooms(seed, reverberation_s):
    """Right in every room up to RT60 0.8 s with a 100 Hz low-cut at 20 dB SNR, both polarities.

    Latency is the distance over 343 m/s plus the 40 samples that pyroomacoustics' filters add.
    """
    responses, distances = room(seed, reverberation_s)
    signal = make_signal()
    recorded, wanted = [], []
    for number, response in enumerate(responses):
        heard = highpass(fftconvolve(signal, response), 2, 100)
        sign = 1 if (number + seed) % 2 else -1
        recorded.append(with_noise(sign * heard, 20, seed=number))
        wanted.append("positive" if sign > 0 else "negative")

    readings = read(*recorded)

    assert [reading.polarity for reading in readings] == wanted
    for reading, distance in zip(readings, distances, strict=True):
        assert reading.latency_ms == pytest.approx(1000 * (distance / 343 + 40 / RATE), abs=0.05)
        assert reading.confidence >= 0.9


@pytest.mark.parametrize("order", [2, 4, 8])
@pytest.mark.parametrize("corner_hz", [50, 150, 500, 1000, 2000])
def test_high_pass_is_never_read_as_an_inversion(order, corner_hz):
    """A mic's low-cut is seen through; a high-pass in the midst of the band may only give "cannot tell"."""
    (reading,) = read(with_noise(highpass(make_signal(), order, corner_hz), 30))

    assert reading.polarity != "negative"
    if corner_hz <= 50 or (order <= 4 and corner_hz <= 150):
        assert reading.polarity == "positive"
    if corner_hz >= 1000:
        assert reading.polarity == "cannot tell"
        assert reading.reason is not None


@pytest.mark.parametrize("band_hz", [(700, 1400), (1000, 2000), (1500, 6000), (500, 2000), (900, 1100)])
def test_a_narrow_loudspeaker_cannot_be_told(band_hz):
    """One or two octaves with steep edges: a half period's delay passes for an inversion."""
    narrow = sosfilt(butter(4, band_hz, "bandpass", fs=RATE, output="sos"), make_signal())

    assert read(with_noise(narrow, 30))[0].polarity == "cannot tell"


def test_the_known_failure_of_the_two_tone():
    """A second-order high-pass at 1 kHz turns the two tones so that the lower peak wins.

    The peaks' ratio, by which AES17 tells, falls under 1 there (0.78 in public measurement notes).
    """
    signal = make_signal(kind="two-tone")
    filtered = highpass(signal, 2, 1000)
    steady = filtered[RATE : 2 * RATE]
    assert steady.max() / -steady.min() < 1

    (reading,) = read(filtered, kind="two-tone")

    assert reading.polarity == "cannot tell"
    assert "high-pass" in reading.reason


def test_two_tone_through_wire_and_room():
    """Wires are read, also with noise and a low-cut; a room is recognised by its tail."""
    signal = make_signal(kind="two-tone")
    responses, _ = room(3, 0.5, microphones=1)
    plain, turned, heard = read(
        with_noise(signal, 20), -highpass(signal, 1, 20), fftconvolve(signal, responses[0]), kind="two-tone"
    )

    assert (plain.polarity, turned.polarity, heard.polarity) == ("positive", "negative", "cannot tell")
    assert "room" in heard.reason


def chords(seconds=30):
    """Make a loop of plucked chords at 115 beats a minute: what might be taken for a repeating signal."""
    times = np.arange(seconds * RATE) / RATE
    beat = 60 / 115
    shape = np.exp(-6 * (times % beat))
    notes = 220 * 2 ** (np.floor(times / beat)[:, np.newaxis] % 4 * 3 / 12 + np.array([0, 4, 7]) / 12)
    return shape * np.sin(2 * np.pi * notes * (times % beat)[:, np.newaxis]).sum(axis=1)


def test_what_is_not_the_signal():
    """Silence, noise, a hum, music in a loop and the other signal: cannot tell, and why."""
    rng = np.random.default_rng(0)
    times = np.arange(20 * RATE) / RATE
    clicks = np.tile(np.r_[1.0, np.zeros(RATE // 2 - 1)], 40)
    loop = np.tile(rng.standard_normal(RATE), 20)
    tracks = [0 * times, 0 * times + 0.2, rng.standard_normal(len(times)), np.sin(314 * times), chords()]

    for reading in read(*tracks, clicks, loop, make_signal(kind="two-tone")):
        assert (reading.polarity, reading.latency_ms, reading.confidence) == ("cannot tell", None, 0.0)
        assert "not found" in reading.reason
    assert {r.polarity for r in read(*tracks, make_signal(), kind="two-tone")} == {"cannot tell"}


def test_drums_are_not_the_signal():
    """Real drum recordings one after another: cannot tell."""
    files = sorted(need_shared_data("kit").glob("*/*.oh_left.flac"))[:30]
    take = np.concatenate([soundfile.read(path, dtype="float32")[0] for path in files])

    assert read(take, rate=soundfile.info(files[0]).samplerate)[0].polarity == "cannot tell"


def test_found_anywhere_in_a_long_take():
    """In the midst of two minutes of quieter chords, across the search windows' seam."""
    take = 0.003 * np.tile(chords(), 4)
    start = 52 * RATE
    signal = -make_signal()
    take[start : start + len(signal)] += signal

    (reading,) = read(take)

    assert reading.polarity == "negative"
    assert reading.found_at_s == pytest.approx(52 + LEAD_S, abs=0.001)


@pytest.mark.parametrize("drift_ppm", [-100, 50, 100])
def test_clocks_that_drift(drift_ppm):
    """The recorder's clock is off: made by sampling the band-limited signal at other instants."""
    fine = resample_poly(make_signal(), 8, 1)
    instants = np.arange(len(make_signal()) - 200) * (1 + drift_ppm * 1e-6) * 8
    drifted = np.interp(instants, np.arange(len(fine)), fine)

    assert read(with_noise(-drifted, 20))[0].polarity == "negative"


def test_noise_louder_than_the_signal():
    """At -10 dB SNR the average still tells."""
    assert read(with_noise(-make_signal(), -10))[0].polarity == "negative"


def test_a_late_start_keeps_polarity_but_no_latency():
    """The beginning is missing: the sign can be read, the latency cannot."""
    (reading,) = read(make_signal()[3 * RATE :])

    assert (reading.polarity, reading.latency_ms) == ("positive", None)


# The commands


def test_make_and_read(tmp_path):
    """The file made is read back through the commands, as text and as JSON; inputs stay untouched."""
    runner = CliRunner()
    made = tmp_path / "check.wav"
    result = runner.invoke(command, ["make", str(made)])
    assert result.exit_code == 0, result.output
    for word in ("monitors", "hearing", "Tweeters", "phantom", "mains", "local rules"):
        assert word in result.stderr
    assert result.stdout == ""
    samples, rate = soundfile.read(made)
    soundfile.write(tmp_path / "take.wav", np.stack([samples, -0.3 * samples], axis=1), rate)

    document = json.loads(runner.invoke(command, ["read", "--json", str(tmp_path / "take.wav")]).stdout)
    text = runner.invoke(command, ["read", str(made)]).stdout

    assert [channel["polarity"] for channel in document["channels"]] == ["positive", "negative"]
    assert [channel["name"] for channel in document["channels"]] == ["take.L", "take.R"]
    assert "positive pressure gives a positive sample" in text


def test_make_does_not_replace_unasked(tmp_path):
    """An existing file, an unknown ending: refused, nothing written."""
    present = tmp_path / "take.wav"
    present.write_bytes(b"precious")
    runner = CliRunner()

    with pytest.raises(UsageError, match="exists"):
        runner.invoke(command, ["make", str(present)], catch_exceptions=False)
    with pytest.raises(UsageError, match="ending"):
        runner.invoke(command, ["make", str(tmp_path / "x.doc")], catch_exceptions=False)

    assert present.read_bytes() == b"precious"
    assert [path.name for path in tmp_path.iterdir()] == ["take.wav"]


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_the_made_file_itself_has_no_latency(rate):
    """Nothing lies between what was made and what is read."""
    (reading,) = read(make_signal(sample_rate_hz=rate), rate=rate)

    assert (reading.polarity, reading.latency_ms) == ("positive", pytest.approx(0.0, abs=1000 / rate))
