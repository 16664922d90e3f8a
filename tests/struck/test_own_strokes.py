"""Strokes that are one track's own, among strokes laid at known times with known gains."""

import numpy as np
from made_strokes import RATE, onsets_of, strokes

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.struck.own_strokes import own_strokes

#: A snare often and a tom seldom, 10 dB down in each other's mics, and both in an overhead.
SNARE_S, TOM_S = np.arange(0.3, 9.0, 0.5), (1.05, 3.05, 5.05, 7.05)
DOWN = 10 ** (-10 / 20)


def made():
    """Snare, tom and overhead: (recording, onsets)."""
    samples = strokes(SNARE_S, (1.0, DOWN, 0.5), 9.5, seed=1) + strokes(TOM_S, (DOWN, 1.0, 0.5), 9.5, seed=2)
    names = ("snare", "tom", "over")
    return ArrayRecording(dict(zip(names, samples, strict=True)), RATE), onsets_of(samples)[0]


def test_a_tom_struck_four_times_is_known_by_its_own_strokes():
    """All four and no stroke of the snare: within a frame of 1 ms, in step to a tenth of that."""
    recording, onsets = made()
    found = own_strokes(recording, onsets, (1,), (0, 1))

    assert list(found) == [1]
    assert found[1].shape == (4,)
    late_s = found[1] / RATE - TOM_S
    assert np.abs(late_s).max() < 1e-3
    assert np.ptp(late_s) < 0.1e-3


def test_what_another_mic_hears_as_loud_is_nobodys_own():
    """An overhead hears every stroke, but so does the mic close to it; two strokes tell nothing."""
    recording, onsets = made()
    first = onsets[(onsets["track"] != 1) | (onsets["sample"] < 4 * RATE)]

    assert own_strokes(recording, onsets, (2,), (0, 1)) == {}
    assert own_strokes(recording, first, (1,), (0, 1)) == {}
