"""Tracks read each at its own time: by definition of a shift in samples."""

import numpy as np

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.changes.shifted_recording import ShiftedRecording, shifted_onsets
from polaritykit.struck.onsets import made_onsets

LATE = np.array([0, 3, 10])


def test_reads_are_those_of_each_track_at_its_own_time():
    """All rows, some rows, and beyond both ends, where there is silence."""
    samples = np.random.default_rng(0).standard_normal((3, 50)).astype(np.float32)
    shifted = ShiftedRecording(ArrayRecording(dict(zip("abc", samples, strict=True)), 8000), LATE)
    padded = np.pad(samples, ((0, 0), (100, 100)))

    for start, stop in [(0, 20), (-15, 7), (30, 60)]:
        expected = np.stack(
            [row[100 + start + late : 100 + stop + late] for row, late in zip(padded, LATE, strict=True)]
        )
        assert np.array_equal(shifted.read(start, stop), expected)
        assert np.array_equal(shifted.read(start, stop, (2,)), expected[2:])


def test_onsets_move_with_their_tracks():
    """An onset at 100 on a track that is 10 late is one at 90."""
    onsets = np.concatenate([made_onsets(track, [100], 0.0, 20.0) for track in (0, 1, 2)])

    assert shifted_onsets(onsets, LATE)["sample"].tolist() == [100, 97, 90]
    assert onsets["sample"].tolist() == [100, 100, 100]
