"""Strokes that repeat, strokes that do not, and what follows for the way a pair is read."""

import numpy as np
import pytest

import polaritykit
from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.struck.repeatability import stroke_similarity
from polaritykit.struck.windows import HitWindows

RATE = 48_000


def strokes(rng, *, seconds=6.0, every_s=0.2, repeats=False):
    """Bursts of white noise with a sharp start, the same burst each time or another one."""
    n = int(seconds * RATE)
    out = np.zeros(n)
    fall = np.exp(-np.arange(RATE // 8) / (0.03 * RATE))
    burst = rng.standard_normal(len(fall)) * fall
    starts = np.arange(0.1, seconds - 0.3, every_s) * RATE
    starts = (starts + rng.uniform(-500, 500, len(starts))).astype(int)
    for at in starts:
        fresh = burst if repeats else rng.standard_normal(len(fall)) * fall
        out[at : at + len(fall)] += fresh
    return out, starts


def similarity(sound, starts):
    """Cut the strokes out of a recording, as an analysis does, and compare them."""
    hits = HitWindows.cut(ArrayRecording({"a": sound}, RATE), starts, lead_ms=5.0, tail_ms=40.0)
    return stroke_similarity(hits.samples[:, 0], hits.zero, RATE)


@pytest.mark.parametrize("repeats", [True, False])
def test_similarity_is_one_for_copies_and_chance_for_noise(repeats):
    """Largest of M lags of white noise of N samples: sqrt(2 ln M / N), extreme values (from memory)."""
    sound, starts = strokes(np.random.default_rng(1), repeats=repeats)
    found = similarity(sound, starts)

    # exp(-t/T) squared lasts T/2 for its energy and T/4 for that of products: N = 0.03·48000/1 here.
    chance = np.sqrt(2 * np.log(2 * 96) / (0.03 * RATE))
    assert found == pytest.approx(1.0, abs=0.01) if repeats else found < 1.5 * chance


def test_one_stroke_tells_nothing():
    """A single stroke is taken for one that would repeat: hits alone speak."""
    sound, starts = strokes(np.random.default_rng(1))

    assert similarity(sound, starts[:1]) == 1.0


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("seed", [1, 2])
def test_noise_strokes_are_read_in_frames(seed, sign):
    """A shaken noise, later and quieter in a second track with noise of its own: exact offset and sign."""
    rng = np.random.default_rng(seed)
    sound, _ = strokes(rng)
    far = sign * 0.5 * np.roll(sound, 150)
    tracks = {"close": sound, "far": far}
    tracks = {name: x + 1e-3 * rng.standard_normal(len(x)) for name, x in tracks.items()}
    pair = polaritykit.analyse_arrays(tracks, sample_rate_hz=RATE).pairs[0]

    assert pair.method == "continuous"
    assert pair.polarity == ("same" if sign > 0 else "inverted")
    assert pair.offset_ms == pytest.approx(150 / 48, abs=0.001)
