"""Excerpts: the right moment, the level as recorded, shared sounds and the size limit."""

from dataclasses import replace

import numpy as np
import pytest

from polaritykit.analysis import analyse
from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.jobs.check.document import build_document
from polaritykit.jobs.check.excerpts import ExcerptSettings, cut_excerpts

RATE = 48_000


@pytest.fixture(scope="module")
def session():
    """Clicks on three mics: near, 2 ms and 5 ms later and weaker."""
    rng = np.random.default_rng(2)
    n = 12 * RATE
    audio = 1e-4 * rng.standard_normal((3, n))
    decay = np.exp(-np.arange(4000) / 400)
    for k in range(14):
        hit = rng.uniform(0.2, 0.5) * decay * rng.standard_normal(4000)
        at = int((0.6 + 0.8 * k) * RATE)
        for row, (late, gain) in enumerate(((0, 1.0), (96, 0.5), (240, 0.2))):
            audio[row, at + late : at + late + 4000] += gain * hit
    recording = ArrayRecording(dict(zip(("near", "mid", "far"), audio, strict=True)), RATE)
    return recording, analyse(recording), audio


def test_excerpt_is_the_audio_around_a_hit(session):
    """Sample by sample the recording, from 0.15 s before a hit that was laid; 16 bits of its own peak."""
    recording, findings, audio = session
    found = cut_excerpts(recording, findings, findings.pairs)
    pair = next(pair for pair in found.pairs if (pair.reference, pair.other) == ("near", "mid"))
    hits = 0.6 + 0.8 * np.arange(14)

    assert "hit of" in pair.around
    for place, row in ((pair.a, 0), (pair.b, 1)):
        sound = found.sounds[place]
        assert np.min(np.abs(sound.start_s + 0.15 - hits)) < 0.005
        first = round(sound.start_s * RATE)
        expected = audio[row, first : first + len(sound.samples)]
        middle = slice(RATE // 100, -RATE // 100)
        level = sound.samples / 32768 * sound.gain
        step = np.max(np.abs(expected)) / 32767
        assert np.max(np.abs(level - expected)[middle]) < step
        assert sound.samples[0] == sound.samples[-1] == 0


def test_sounds_are_shared_and_the_limit_holds(session):
    """Three pairs of one source need three sounds; half the room holds one pair, two sounds."""
    recording, findings, _ = session
    all_of_them = cut_excerpts(recording, findings, findings.pairs)
    one_sound = 1.2 * RATE * 2 * 4 / 3
    limited = cut_excerpts(
        recording, findings, findings.pairs, replace(ExcerptSettings(), most_characters=2.5 * one_sound)
    )
    document = build_document(findings, excerpts=limited)

    assert len(all_of_them.pairs) == len(all_of_them.sounds) == 3
    assert len(limited.pairs) == 1
    assert sum(len(sound["samples"]) for sound in document["audio"]["sounds"]) <= 2.5 * one_sound


def test_sustained_sound_is_taken_where_both_are_loud_and_double_rates_are_halved():
    """Noise that is loud in both from 6 to 9 s only; 96 kHz becomes 48 kHz, a 1 kHz tone stays one."""
    rng = np.random.default_rng(3)
    n = 12 * 96_000
    time = np.arange(n) / 96_000
    noise = 0.01 * rng.standard_normal(n)
    noise[6 * 96_000 : 9 * 96_000] *= 10
    tone = 0.2 * np.sin(2 * np.pi * 1000 * time) * ((time > 6) & (time < 9))
    recording = ArrayRecording({"a": noise + tone, "b": np.roll(noise, 50)}, 96_000)
    findings = analyse(recording)
    found = cut_excerpts(recording, findings, findings.pairs)

    assert found.sample_rate_hz == 48_000
    assert 6.0 <= found.sounds[0].start_s <= 7.8
    spectrum = np.abs(np.fft.rfft(found.sounds[0].samples.astype(float)))
    assert np.argmax(spectrum) / found.sounds[0].samples.size * 48_000 == pytest.approx(1000, abs=1)
