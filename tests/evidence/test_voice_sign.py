"""The sign of a voice: pulses of the textbook, recorded voices where at hand, and what is no voice."""

import sys
from pathlib import Path

import numpy as np
import pytest
from made_speech import made_speech

from polaritykit.evidence.voice_sign import VoiceSign, behaves_like_speech, prediction, voice_sign
from polaritykit.sustained.whitened import LOW_RATE_HZ as RATE
from polaritykit.sustained.whitened import low_rate

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))


@pytest.mark.parametrize("seed", range(4))
def test_pulses_of_the_textbook_have_their_sign(seed):
    """Upside down the sign turns, and figure and deviation stay."""
    x = made_speech(seed)
    found, turned = voice_sign(x), voice_sign(-x)
    assert (found.reason, found.sign) == ("voice", 1)
    assert turned.sign == -1
    assert turned.figure == pytest.approx(-found.figure, rel=1e-6)
    assert found.confidence > 0.9


def recordings(package, pattern):
    """Read the recordings of a Debian package in the benchmark's cache, or skip."""
    import soundfile
    from sessions_packages import unpacked

    folder = unpacked(package, fetch=False)
    if folder is None:
        pytest.skip(f"{package} is not in the benchmark's cache: python tests/benchmarks/voices.py --fetch")
    found = {}
    for path in sorted(folder.rglob(pattern)):
        raw = {"samplerate": 16000, "channels": 1, "subtype": "PCM_16"} if path.suffix == ".raw" else {}
        x, rate = soundfile.read(path, dtype="float32", always_2d=True, **raw)
        found[path.stem] = low_rate([x[:, 0]], rate)
    return found


@pytest.mark.parametrize("pattern", ["cards/*.wav", "librivox/*.wav"])
def test_voices_of_one_device_agree(pattern):
    """Five messages of one device, five sentences of another: one sign each (Drugman, 2013)."""
    found = [voice_sign(x).sign for x in recordings("pocketsphinx-testdata", pattern).values()]
    assert len(found) == 5
    assert len(set(found)) == 1
    assert None not in found


def test_instruments_and_drums_have_no_voice():
    """Loops, guitars, basses, drums, tabla: none is taken for speech."""
    for name, x in recordings("sonic-pi-samples", "*.flac").items():
        assert voice_sign(x).reason in {"no_voice", "too_short"}, name


def test_noise_tones_and_silence_have_no_voice():
    """Nor what is made of sines, noise, or nothing."""
    t = np.arange(4 * RATE) / RATE
    vibrato = sum(
        np.sin(2 * np.pi * 220 * k * (t + 2e-4 * np.sin(2 * np.pi * 6 * t))) / k for k in range(1, 15)
    )
    for x in (np.random.default_rng(1).standard_normal(4 * RATE), vibrato, np.zeros(4 * RATE)):
        assert voice_sign(x.astype(np.float32)).reason == "no_voice"
    assert not behaves_like_speech(np.zeros(4 * RATE, np.float32))
    assert voice_sign(np.zeros(400, np.float32)) == VoiceSign(reason="too_short")


def test_prediction_solves_the_normal_equations():
    """The batched solution against scipy's Toeplitz solver, and a known all-pole sound."""
    from scipy.linalg import solve_toeplitz
    from scipy.signal import lfilter

    x = lfilter([1], [1, -1.2, 0.8], np.random.default_rng(2).standard_normal(4000))
    [a] = prediction(x[None])
    r = np.correlate(x, x, "full")[len(x) - 1 :][:11]
    assert np.allclose(a[1:], -solve_toeplitz(r[:-1], r[1:]), atol=1e-5)
    assert a[1:3] == pytest.approx([-1.2, 0.8], abs=0.05)
