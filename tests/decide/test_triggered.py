"""A sample that a drum triggers: known by its timing, judged by the sum alone.

The drums are the demo's and those of the open kit; the sample is made here, struck at their stated moments,
and shares nothing with them.
"""

import json
import sys
from functools import cache

import numpy as np
import pytest
import soundfile
from places import BENCHMARKS, DEMO_AUDIO
from shared_data import need_shared_data

import polaritykit
from polaritykit.jobs.check.reasons import cause_words

sys.path.insert(0, str(BENCHMARKS))

import sessions_kit

REAL = ("kick", "snare_top", "tom_1", "hihat", "oh_left", "oh_right")
KIT = DEMO_AUDIO / "drum_kit"
NAMES = ("01_kick", "02_snare_top", "04_hat", "07_overhead_left", "08_overhead_right")


@cache
def recorded():
    """Tracks of the demo, their rate, and when its snare is struck."""
    read = {name: soundfile.read(KIT / f"{name}.flac") for name in NAMES}
    truth = json.loads((KIT / "truth.json").read_text(encoding="utf-8"))
    snare = next(source for source in truth["sources"] if source["name"] == "snare")
    return {name: samples for name, (samples, _) in read.items()}, read[NAMES[0]][1], snare["starts_s"]


def made_sample(rate, seed=4):
    """Make a tone and a burst of noise that die away."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(0.25 * rate)) / rate
    burst = 0.6 * rng.standard_normal(len(time)) * np.exp(-time / 0.03)
    return (np.sin(2 * np.pi * 210 * time) * np.exp(-time / 0.05) + burst) * np.minimum(1, time / 3e-4)


def with_sample(*, sign=1.0, moments=None, late_s=0.003, samples=1):
    """Analyse the demo with the sample, or several in turn by chance, on a track of its own."""
    tracks, rate, starts_s = recorded()
    bodies = [made_sample(rate, 4 + k) for k in range(samples)]
    turns = np.random.default_rng(6)
    sample = np.zeros(len(tracks[NAMES[0]]))
    for start_s in starts_s if moments is None else moments:
        at = round((start_s + late_s) * rate)
        end = min(len(sample), at + len(bodies[0]))
        sample[at:end] += sign * 0.5 * bodies[turns.integers(samples)][: end - at]
    return polaritykit.analyse_arrays({**tracks, "10_sample": sample}, sample_rate_hz=rate)


def pairs_of(found):
    """Pairs with the sample."""
    return [pair for pair in found.pairs if "10_sample" in (pair.reference, pair.other)]


@pytest.mark.parametrize("late_s", [-0.001, 0.003, 0.008])
def test_a_triggered_sample_is_named_and_no_wiring_told(late_s):
    """It goes with the snare; its polarity is unclear against every track, and it is not flipped."""
    found = with_sample(late_s=late_s)
    named = [pair for pair in pairs_of(found) if pair.cause.code == "triggered"]

    assert [(pair.cause.home, pair.cause.against) for pair in named] == [("10_sample", "02_snare_top")]
    assert {pair.polarity for pair in pairs_of(found)} == {"unclear"}
    assert not any(track.invert for track in found.corrections.tracks if track.name == "10_sample")
    assert "no wiring can be told" in cause_words(named[0].cause)


@pytest.mark.parametrize("samples", [2, 4])
def test_samples_that_take_turns_are_judged_by_their_sum(samples):
    """A trigger that plays one of several samples per hit, as most do (common practice, no source)."""
    found = with_sample(samples=samples)
    named = [pair.cause for pair in pairs_of(found) if pair.cause.code == "triggered"]

    assert [(cause.home, cause.against) for cause in named] == [("10_sample", "02_snare_top")]
    assert {pair.polarity for pair in pairs_of(found)} == {"unclear"}
    assert not any(track.invert for track in found.corrections.tracks if track.name == "10_sample")


def test_copied_bars_are_no_samples():
    """A close mic cut to silence between its strokes, in a take that was made of one bar, is a mic still."""
    tracks, rate, starts_s = recorded()
    length = round(0.4 * rate)
    cut = {name: np.zeros(12 * length) for name in tracks}
    chosen = [round((starts_s[k % 3] - 0.05) * rate) for k in range(12)]
    for place, at in enumerate(chosen):
        for name, samples in tracks.items():
            cut[name][place * length : (place + 1) * length] = samples[at : at + length]
    for place in range(12):
        cut["02_snare_top"][place * length : place * length + round(0.045 * rate)] = 0.0
    found = polaritykit.analyse_arrays(cut, sample_rate_hz=rate)

    assert not [pair for pair in found.pairs if pair.cause is not None and pair.cause.code == "triggered"]


def test_its_sum_with_the_drum_is_told_and_turns_with_it():
    """Upside down, what was fuller as it is becomes fuller flipped, by as much (the same two sums)."""
    upright, turned = (
        next(pair.cause.fuller_db for pair in pairs_of(with_sample(sign=sign)) if pair.cause.fuller_db)
        for sign in (1.0, -1.0)
    )

    assert turned == pytest.approx(-upright, abs=0.1)


@pytest.mark.parametrize("late_ms", [3.0, 8.0])
def test_a_sample_on_real_hits(late_ms):
    """The open kit's snare triggers it; its first motion repeats, and once was taken for wiring."""
    need_shared_data("kit")
    session = sessions_kit.kit_session(
        3, flips=False, delays=False, seconds=20, mics=REAL, split="development"
    )
    rate = session.sample_rate_hz
    sample = np.zeros(len(session.tracks["kick"]))
    body = made_sample(rate)
    for time_s, drum, gain_db in session.notes["score"]:
        if drum == "snare":
            at = round((time_s + late_ms * 1e-3) * rate)
            end = min(len(sample), at + len(body))
            sample[at:end] += 0.5 * 10 ** (gain_db / 20) * body[: end - at]
    found = polaritykit.analyse_arrays({**session.tracks, "10_sample": sample}, sample_rate_hz=rate)
    named = [pair.cause for pair in pairs_of(found) if pair.cause.code == "triggered"]

    assert {pair.polarity for pair in pairs_of(found)} == {"unclear"}
    assert [(cause.home, cause.against) for cause in named] == [("10_sample", "snare_top")]


def test_strokes_of_its_own_trigger_nothing():
    """At moments at which nothing else is struck it is unrelated, as another take would be."""
    rng = np.random.default_rng(5)
    found = with_sample(moments=np.sort(rng.uniform(0.5, 19.0, 15)))

    assert [pair for pair in pairs_of(found) if pair.cause.code == "triggered"] == []
