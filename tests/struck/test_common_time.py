"""The common time of made-up strokes on tracks that are late by known amounts (by definition of a delay)."""

import numpy as np
import pytest
from made_strokes import RATE, onsets_of, strokes

from polaritykit.struck.common_time import common_time
from polaritykit.struck.onsets import made_onsets

LATE_MS = np.array([0.0, 3.2, 7.9])


def heard(late_ms):
    """Thirty strokes on three tracks, each late by so much."""
    times = 0.3 + np.cumsum(np.random.default_rng(2).uniform(0.1, 0.3, 30))
    rows = [
        strokes(times + late * 1e-3, [gain], times[-1] + 0.5)[0]
        for late, gain in zip(late_ms, (1.0, 0.4, 0.1), strict=True)
    ]
    return onsets_of(np.stack(rows))[0]


def test_late_tracks_are_found():
    """To the bin of the search and the hop of the onsets, a quarter of a millisecond each."""
    late = common_time(heard(LATE_MS), 3, RATE) / RATE * 1e3

    assert np.max(np.abs(late - LATE_MS)) <= 0.5


def test_what_is_recorded_later_is_found_later_by_just_so_much():
    """A delay of each track adds to it."""
    more = np.array([4.0, 0.0, 2.0])
    plain, delayed = (common_time(heard(late), 3, RATE) / RATE * 1e3 for late in (LATE_MS, LATE_MS + more))
    moved = delayed - plain - more

    assert np.ptp(moved) <= 0.25
    assert delayed.min() == 0.0


def test_a_far_room_is_found_and_no_later_note_of_a_strict_grid():
    """85 ms is 29 m of way; sixteenths at 150 to the minute follow one another by 100 ms."""
    far = np.array([0.0, 3.2, 85.0])
    assert common_time(heard(far), 3, RATE) / RATE * 1e3 == pytest.approx(far, abs=0.5)

    grid = 0.3 + 0.1 * np.arange(60)
    # Every second track hears every second stroke only.
    late, beats = (0.0, 7.9), (grid, grid[::2])
    rows = [strokes(at + ms * 1e-3, [0.5], 7.0)[0] for at, ms in zip(beats, late, strict=True)]
    found = common_time(onsets_of(np.stack(rows))[0], 2, RATE) / RATE * 1e3
    assert found == pytest.approx(late, abs=0.5)


def test_a_track_without_strokes_stays():
    """Nothing tells how late it is."""
    onsets = heard(LATE_MS)
    onsets = onsets[onsets["track"] != 1]

    assert common_time(onsets, 3, RATE)[1] == 0
    assert common_time(made_onsets(0, [], [], []), 3, RATE).tolist() == [0, 0, 0]
