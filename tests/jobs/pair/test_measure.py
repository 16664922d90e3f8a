"""The pair job against set-ups whose truth is known: simulated pairs, measured heads, a real kit."""

import json
import os
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import signal
from shared_data import need_shared_data

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.base.errors import UsageError
from polaritykit.commands.pair import command
from polaritykit.jobs.pair.document import stereo_document
from polaritykit.jobs.pair.judge import judge_pair

RATE = 48_000
BOTH_SIGNS = pytest.mark.parametrize(("sign", "wiring"), [(1.0, "same"), (-1.0, "inverted")])


def _pink(seed: int, seconds: float = 4.0, rate: int = RATE) -> np.ndarray:
    n_samples = int(seconds * rate)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(n_samples))
    spectrum /= np.sqrt(np.maximum(np.fft.rfftfreq(n_samples, 1 / rate), 20.0))
    sound = np.fft.irfft(spectrum, n_samples)
    return 0.3 * sound / np.abs(sound).max()


def _late(sound: np.ndarray, samples: float) -> np.ndarray:
    """Delay by a phase ramp: a route the estimator does not use."""
    ramp = np.exp(-2j * np.pi * np.fft.rfftfreq(len(sound)) * samples)
    return np.fft.irfft(np.fft.rfft(sound) * ramp, len(sound))


def _findings(left, right, rate=RATE):
    tracks = {"oh_left": left.astype(np.float32), "oh_right": right.astype(np.float32)}
    return judge_pair(ArrayRecording(tracks, rate))


def _codes(found):
    return [remark.code for remark in found.remarks]


def _pair(delay_samples=0.0, gain_db=0.0, filtered=None):
    """One source in two mics, each with noise 20 dB down; the right one late, quieter, filtered."""
    source, left_noise, right_noise = _pink(1), 0.1 * _pink(2), 0.1 * _pink(3)
    right = _late(source, delay_samples) + right_noise
    if filtered is not None:
        right = signal.sosfilt(filtered, right)
    return source + left_noise, 10 ** (gain_db / 20) * right


@BOTH_SIGNS
@pytest.mark.parametrize("delay_samples", [0.0, -12.25, 60.3], ids=["matched", "near", "spaced"])
def test_wiring_and_offset(sign, wiring, delay_samples):
    """Right verdict and offset for a matched, a near-coincident and a spaced pair, in both orders."""
    left, right = _pair(delay_samples)
    expected_ms = 1000 * delay_samples / RATE

    found, swapped = _findings(left, sign * right), _findings(sign * right, left)

    assert found.wiring.polarity == swapped.wiring.polarity == wiring
    assert (found.flip is not None) == (wiring == "inverted")
    assert found.offset_ms == pytest.approx(expected_ms, abs=0.001)
    assert swapped.offset_ms == pytest.approx(-expected_ms, abs=0.001)
    # Speed of sound at 20 °C: 343.2 (ISO 9613-1) to 344.0 m/s (Cramer, 50 % humidity).
    assert found.path_difference_m == pytest.approx(abs(expected_ms) * 0.3436, abs=0.001)
    assert found.low_cut is None
    assert found.pad_db is None
    assert not found.wiring.mixed


@BOTH_SIGNS
@pytest.mark.parametrize("order", [2, 3])
@pytest.mark.parametrize("side", ["reference", "other"])
def test_a_low_cut_is_not_wiring(sign, wiring, order, side):
    """An 80 Hz low-cut (12 or 18 dB an octave) on one side turns the bottom; the verdict stays."""
    left, right = _pair(20.0, filtered=signal.butter(order, 80.0, "high", fs=RATE, output="sos"))
    found = _findings(left, sign * right) if side == "other" else _findings(sign * right, left)

    assert found.wiring.polarity == wiring
    assert found.low_cut.side == side
    assert found.low_cut.corner_hz == pytest.approx(80.0, rel=0.15)
    # The dispersion of the filter above its corner is far below 25 µs at the frequencies that decide.
    assert abs(found.offset_ms) == pytest.approx(1000 * 20 / RATE, abs=0.025)
    assert "low_cut" in _codes(found)


@BOTH_SIGNS
@pytest.mark.parametrize(("gain_db", "pad_db"), [(-10.6, 10), (-19.0, 20), (-6.0, None), (-14.0, None)])
def test_pad_on_one_side(sign, wiring, gain_db, pad_db):
    """Common practice, no source: pads are 10 or 20 dB."""
    left, right = _pair(20.0, gain_db)
    found = _findings(left, sign * right)

    assert (found.wiring.polarity, found.pad_db) == (wiring, pad_db)
    assert found.level_difference_db == pytest.approx(gain_db, abs=0.1)
    assert ("pad" in _codes(found)) == (pad_db is not None)
    assert ("level" in _codes(found)) == (pad_db is None)


def test_mono_sum_loss_is_the_closed_form():
    """Equal sides: 10·log(1+ρ) against the power of both (textbook); inverted, delayed by τ: 2·sin(πfτ)."""
    left, right = _pair()
    found = _findings(left, right)
    rho = np.corrcoef(left, right)[0, 1]
    assert found.correlation == pytest.approx(rho, abs=0.01)
    assert found.mono_sum_loss_db == pytest.approx(-10 * np.log10(1 + rho), abs=0.05)
    assert found.mono_sum_loss_flipped_db == pytest.approx(-10 * np.log10(1 - rho), abs=0.5)

    tone = 0.5 * np.sin(2 * np.pi * 125.0 / RATE * np.arange(4 * RATE))
    octave = next(
        octave for octave in _findings(tone, -_late(tone, 48.0)).octaves if octave.centre_hz == 125.0
    )
    # Power of the sum over the power sum 2: (2·sin(π·125 Hz·1 ms))²/2.
    assert octave.mono_sum_loss_db == pytest.approx(
        -10 * np.log10((2 * np.sin(np.pi * 0.125)) ** 2 / 2), abs=0.05
    )


def test_worst_moment():
    """A second in which one side is inverted is found, and silence is not."""
    left, right = _pair()
    right = right.copy()
    right[RATE : 2 * RATE] *= -1.0
    left[3 * RATE :] = right[3 * RATE :] = 0.0
    found = _findings(left, right)

    assert 1.0 < found.worst_moment_s < 2.0
    assert found.worst_moment_loss_db > 10.0
    assert found.history.correlation[-1] is None
    assert found.history.correlation[0] == pytest.approx(0.99, abs=0.01)


def _sources(n_sources=4):
    """Give sources that sound in turns."""
    for seed in range(n_sources):
        turns = np.random.default_rng(seed).random(40) > 0.5
        yield _pink(20 + seed) * np.repeat(turns, 4 * RATE // 40)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_mid_side_is_recognised(sign):
    """The side signal of sources left and right has both signs at no delay (algebra: S = Σ g·s, g = ±)."""
    sources = list(_sources())
    middle = np.sum(sources, axis=0)
    side = sum(gain * source for gain, source in zip((0.7, -0.6, 0.4, -0.5), sources, strict=True))
    found = _findings(middle, sign * side)

    assert found.kind == "stereo"  # by their names
    assert found.wiring.mixed
    assert found.wiring.polarity == "unclear"
    assert "mixed_signs" in _codes(found)


@BOTH_SIGNS
def test_coincident_cardioids_are_not_mid_side(sign, wiring):
    """Level differences alone, all of one sign."""
    sources = list(_sources())
    left, right = (
        sum(gain * source for gain, source in zip(gains, sources, strict=True))
        for gains in ((0.9, 0.3, 0.6, 0.5), (0.2, 0.8, 0.6, 0.5))
    )
    found = _findings(left, sign * right)

    assert (found.wiring.polarity, found.wiring.mixed) == (wiring, False)
    assert found.offset_ms == pytest.approx(0.0, abs=0.001)
    # A figure-of-eight pair at one point reads inverted for a source at its side (g = cos(φ ± 45°)).
    assert ("coincident_eights" in _codes(found)) == (wiring == "inverted")


def test_unclear_when_nothing_tells():
    """Unrelated tracks, a single tone (half a period is an inversion), short noise, a silent side."""
    assert _findings(_pink(5), _pink(6)).wiring.polarity == "unclear"
    tone = 0.5 * np.sin(2 * np.pi * 1000.0 / RATE * np.arange(4 * RATE))
    noise = 1e-5 * np.random.default_rng(0).standard_normal((2, 4 * RATE))
    assert _findings(tone + noise[0], _late(tone, 10.0) + noise[1]).wiring.polarity == "unclear"
    for seed in range(8):
        short = np.random.default_rng(seed).standard_normal((2, 2000 * (seed + 1)))
        assert _findings(0.1 * short[0], 0.1 * short[1]).wiring.polarity == "unclear"
    silent = _findings(_pink(5), np.zeros(4 * RATE))
    assert silent.wiring.polarity == "unclear"
    assert silent.level_difference_db is None
    json.dumps(stereo_document(silent), allow_nan=False)
    with pytest.raises(UsageError, match="two tracks, not 1"):
        judge_pair(ArrayRecording({"a": np.zeros(100, np.float32)}, RATE))


def test_a_floor_common_to_both_does_not_decide():
    """Sound below 1 kHz 40 samples late, common noise 46 dB lower at lag 0: plain phase weighting reads 0."""
    low = signal.sosfilt(signal.butter(6, 1000.0, fs=RATE, output="sos"), _pink(1))
    floor = _pink(4) * 10 ** (-46 / 20) * np.std(low) / np.std(_pink(4))
    own = 0.03 * np.std(low) * np.random.default_rng(1).standard_normal((2, len(low))) * 0.1
    found = _findings(low + floor + own[0], -(_late(low, 40.0) + own[1]) + floor)

    assert found.wiring.polarity == "inverted"
    assert found.offset_ms == pytest.approx(40 / 48, abs=0.02)


def _head_responses():
    """Measured responses of two ears (Gardner and Martin, MIT Media Lab, 1994), as packaged for libmysofa."""
    h5py = pytest.importorskip("h5py", reason="h5py reads the measured head responses")
    named = os.environ.get("POLARITYKIT_HEAD_RESPONSES")
    path = Path(named or "/usr/share/libmysofa/MIT_KEMAR_normal_pinna.sofa")
    if not path.is_file():
        pytest.skip(f"{path} is not there; install libmysofa1 or set POLARITYKIT_HEAD_RESPONSES")
    with h5py.File(path) as file:
        return file["SourcePosition"][:], file["Data.IR"][:], int(file["Data.SamplingRate"][0])


@BOTH_SIGNS
@pytest.mark.parametrize("azimuth_deg", [0, 30, 45, 60, 90, 270])
def test_measured_head_as_spaced_pair(sign, wiring, azimuth_deg):
    """Offset within 25 µs of the lag of the two measured responses (scipy's correlation, interpolated)."""
    positions, responses, rate = _head_responses()
    index = int(np.argmin(np.abs(positions[:, 0] - azimuth_deg) + 10 * np.abs(positions[:, 1])))
    left, right = (signal.resample(response, 512 * 16) for response in responses[index])
    lags = signal.correlation_lags(len(right), len(left))
    expected_ms = 1000 * lags[np.argmax(signal.correlate(right, left))] / (16 * rate)
    noise = np.random.default_rng(5).standard_normal(4 * rate)

    found = _findings(
        *(
            factor * signal.fftconvolve(noise, response)
            for factor, response in zip((1, sign), responses[index], strict=True)
        ),
        rate,
    )

    assert found.wiring.polarity == wiring
    assert found.offset_ms == pytest.approx(expected_ms, abs=0.025)


def test_room_with_several_sources():
    """In simulated rooms the dominant of three sources gives sign and offset (pyroomacoustics' geometry)."""
    pra = pytest.importorskip("pyroomacoustics")
    room = pra.ShoeBox([6.0, 5.0, 3.0], fs=RATE, materials=pra.Material(0.35), max_order=8)
    mics = np.array([[2.75, 1.5, 1.6], [3.25, 1.5, 1.6]])
    room.add_microphone_array(mics.T)
    places = np.array([[2.0, 3.0, 1.4], [3.9, 2.7, 1.2], [3.1, 3.3, 1.5]])
    for place, source in zip(places, _sources(3), strict=True):
        room.add_source(place, signal=source)
    room.simulate()
    left, right = room.mic_array.signals[:, : 4 * RATE] / np.abs(room.mic_array.signals).max()
    distances = np.linalg.norm(places[:, None] - mics[None], axis=2)
    offsets_ms = 1000 * (distances[:, 1] - distances[:, 0]) / room.c

    found = _findings(left, -right)

    assert found.wiring.polarity == "inverted"
    assert np.min(np.abs(offsets_ms - found.offset_ms)) < 0.025


@BOTH_SIGNS
def test_real_overheads_follow_an_injected_flip(sign, wiring):
    """A real kit, wired alike as far as low frequencies tell; a flip must turn the verdict."""
    import soundfile

    hits = sorted(need_shared_data("kit").glob("*/*.oh_left.flac"))
    mixed = np.zeros((2, 44_100 * 30))
    for number, start in enumerate(range(8820, 44_100 * 28, 15_435)):
        left = hits[7 * number % len(hits)]
        for row, path in enumerate((left, left.with_name(left.name.replace("oh_left", "oh_right")))):
            hit = soundfile.read(path)[0]
            mixed[row, start : start + len(hit)] += hit[: mixed.shape[1] - start]

    assert _findings(mixed[0], sign * mixed[1], 44_100).wiring.polarity == wiring


def _write_pair(folder: Path, sign: float) -> None:
    import soundfile

    left, right = _pair(20.0)
    for name, sound in (("oh_left", left), ("oh_right", sign * right)):
        soundfile.write(folder / f"{name}.wav", sound, RATE, subtype="PCM_24")
    soundfile.write(folder / "both.wav", np.stack([left, sign * right], axis=1), RATE, subtype="PCM_24")


def test_command(tmp_path):
    """Text answers first; --json is the document alone; --audio writes both sums."""
    import soundfile

    _write_pair(tmp_path, -1.0)
    files = [str(tmp_path / "oh_left.wav"), str(tmp_path / "oh_right.wav")]
    text = CliRunner().invoke(command, files)
    assert text.output.splitlines()[0] == "Flip oh_right (ø): its wiring is inverted against oh_left."

    out = tmp_path.parent / f"{tmp_path.name}_report"
    result = CliRunner().invoke(
        command, [str(tmp_path / "both.wav"), "--json", "--audio", "--out", str(out)], catch_exceptions=False
    )
    document = json.loads(result.stdout)
    assert document == json.loads((out / "report.json").read_text())
    assert document["pair"]["wiring"] == "inverted"
    assert document["pair"]["reference"] == "both.L"
    assert document["pair"]["offset_ms"] == pytest.approx(20 / 48, abs=0.001)
    recorded, flipped = (soundfile.read(out / f"mono_{name}.wav")[0] for name in ("as_recorded", "flipped"))
    gained_db = 20 * np.log10(np.std(flipped) / np.std(recorded))
    losses = document["pair"]["mono_sum_loss_db"], document["pair"]["mono_sum_loss_flipped_db"]
    assert gained_db == pytest.approx(losses[0] - losses[1], abs=0.15)


def test_command_refuses_what_makes_no_sense(tmp_path):
    """Audio without a folder is a request that cannot be carried out."""
    _write_pair(tmp_path, 1.0)
    result = CliRunner().invoke(command, [str(tmp_path / "both.wav"), "--audio"])
    assert isinstance(result.exception, UsageError)
    assert "--out" in str(result.exception)
    swapped = CliRunner().invoke(command, [str(tmp_path / "oh_right.wav"), str(tmp_path / "oh_left.wav")])
    assert "sides are swapped" in swapped.output
