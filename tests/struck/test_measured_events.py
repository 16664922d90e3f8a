"""Onsets measured at every sample: a later track has the same ones, later (by definition of a delay)."""

import numpy as np
import pytest
from made_strokes import RATE, onsets_of, strokes

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.struck.common_time import still_late
from polaritykit.struck.measured_events import _frame_energy, measured
from polaritykit.struck.onsets import merge_onsets

TIMES = 0.3 + np.cumsum(np.random.default_rng(2).uniform(0.1, 0.3, 20))


def events_of(made, tracks=(True, True)):
    """Find and measure the events of an array, of the tracks that count."""
    found = merge_onsets(onsets_of(made)[0], len(made), RATE)
    recording = ArrayRecording({str(k): row for k, row in enumerate(made)}, RATE)
    return measured(recording, found, np.array(tracks))


@pytest.mark.parametrize("later", [1, 5, 7, 11])
def test_what_is_recorded_later_is_the_same_later(later):
    """Frames are twelve samples apart: a delay by fewer finds strokes in others."""
    made = strokes(TIMES, [1.0, 0.3], TIMES[-1] + 0.5)
    plain = events_of(made)
    delayed = events_of(np.pad(made, ((0, 0), (later, 0))))

    assert len(plain) == len(delayed) == len(TIMES)
    for one, other in zip(plain, delayed, strict=True):
        assert (other.onset_samples - one.onset_samples).tolist() == [later, later]
        np.testing.assert_allclose(other.rise_db, one.rise_db, atol=1e-6)


def test_an_onset_is_the_first_frame_that_holds_the_stroke():
    """A frame of a millisecond that begins so much earlier is the first, none a later one."""
    made = strokes(TIMES, [1.0, 0.3], TIMES[-1] + 0.5)
    apart = np.array([event.onset_samples for event in events_of(made)]) - np.round(TIMES * RATE)[:, None]

    assert np.all((apart >= -RATE // 1000) & (apart <= 0))


def test_energy_is_what_a_fitted_line_leaves():
    """As `numpy.polyfit` fits it."""
    sound, frame = np.random.default_rng(0).standard_normal((1, 200)) + 3.0, 48
    at = np.arange(frame)
    left = [
        np.mean((part - np.polyval(np.polyfit(at, part, 1), at)) ** 2)
        for part in np.lib.stride_tricks.sliding_window_view(sound[0], frame)
    ]

    np.testing.assert_allclose(_frame_energy(sound, frame)[0], left[: 200 - frame + 1], rtol=1e-6)


def test_what_is_left_of_a_delay_is_found():
    """To half a bin of the search (0.05 ms) and rounding to the sample."""
    made = strokes(TIMES, [1.0, 0.3], TIMES[-1] + 0.5)
    made[1] = np.roll(made[1], 37)
    late = still_late(events_of(made), 2, RATE)

    assert late[1] - late[0] == pytest.approx(37, abs=3)


def test_tracks_that_do_not_count_set_in_nowhere():
    """A copy, or a file that covers a part only, lends no stroke a home and tells none apart."""
    made = strokes(TIMES, [1.0, 0.3], TIMES[-1] + 0.5)
    for event in events_of(made, tracks=(True, False)):
        assert event.rise_db[0] > 0.0
        assert event.rise_db[1] == 0.0
