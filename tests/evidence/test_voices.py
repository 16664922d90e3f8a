"""Close voices among tracks: which are found, what they decide, and what they never do.

The voice is made of the textbook's glottal pulses (`made_speech`), upright as they stand.
"""

import numpy as np
import pytest
from made_speech import RATE, made_speech

from polaritykit.analysis import analyse_arrays
from polaritykit.decide.flips import side_to_flip
from polaritykit.jobs.check.verdict import summarise


def session(*signs, seed=1, seconds=12.0):
    """Make tracks of one voice with these signs, each a little later, with noise of their own."""
    voice = 0.1 * made_speech(seed, seconds)
    rng = np.random.default_rng(seed)
    return {
        f"mic {k}": sign * np.roll(voice, 9 * k) * (1.0 - 0.2 * k) + 1e-4 * rng.standard_normal(len(voice))
        for k, sign in enumerate(signs)
    }


@pytest.mark.parametrize("upside_down", [0, 1])
def test_of_two_tracks_the_one_wired_backwards_is_flipped(upside_down):
    """Two alone cannot tell; a voice can, whichever of them it is."""
    signs = [-1.0 if k == upside_down else 1.0 for k in range(2)]

    findings = analyse_arrays(session(*signs), sample_rate_hz=RATE)

    assert findings.pairs[0].polarity == "inverted"
    assert [track.invert for track in findings.corrections.tracks] == [s < 0 for s in signs]
    assert {voice.track: voice.polarity for voice in findings.voices} == {
        f"mic {k}": "upside_down" if sign < 0 else "upright" for k, sign in enumerate(signs)
    }
    said = " ".join(summarise(findings)["sentences"])
    assert f"By the voice in it mic {upside_down} is upside down" in said
    assert not findings.corrections.tracks[upside_down].flip_tie


def test_tracks_that_agree_are_never_flipped_for_a_voice():
    """All upside down: a remark, with what to look for, and no flip."""
    findings = analyse_arrays(session(-1.0, -1.0, -1.0), sample_rate_hz=RATE)

    assert not any(track.invert for track in findings.corrections.tracks)
    assert "nothing is flipped for that alone" in " ".join(summarise(findings)["sentences"])


def test_fewest_flips_come_before_a_voice():
    """One against three stays one flip, whatever one voice says."""
    assert side_to_flip([0, 1, 2, 3], [1, 1, 1, -1], upright={0: -4.0}) == (3,)
    assert side_to_flip([0, 1], [1, -1], protected=[{1}]) == (0,)
    assert side_to_flip([0, 1], [1, -1], protected=[{1}], upright={1: -4.0}) == (1,)


def test_noise_has_no_voice():
    """What is no speech decides nothing."""
    noise = np.random.default_rng(3).standard_normal(10 * RATE)
    findings = analyse_arrays({"a": noise, "b": -np.roll(noise, 20)}, sample_rate_hz=RATE)

    assert findings.voices == ()


@pytest.mark.parametrize("n_samples", [1, 10, 100, 300, 1000, 5000])
def test_no_take_is_too_short_to_be_answered(n_samples):
    """From one sample on: unclear or not, never an error."""
    a, b = np.random.default_rng(3).standard_normal((2, n_samples)) * 0.1

    assert len(analyse_arrays({"a": a, "b": a + 0.1 * b}, sample_rate_hz=48_000).pairs) == 1
