"""Onsets and events of made-up strokes whose times are known."""

import numpy as np
import pytest
from made_strokes import RATE, onsets_of, strokes

from polaritykit.struck.onsets import STRONG_RANGE_DB, made_onsets, merge_onsets, spread


def test_every_stroke_is_found_once_in_its_own_millisecond():
    """Twenty strokes at odd times."""
    times = 0.2 + np.cumsum(np.random.default_rng(4).uniform(0.08, 0.4, 20))
    found, _ = onsets_of(strokes(times, [0.5], times[-1] + 0.5))
    # The frame that holds the stroke's beginning, or the next where it begins at the frame's very end.
    late = found["sample"] / RATE - times

    assert len(found) == len(times)
    assert np.all((late > -1.01e-3) & (late < 1.01e-3))


@pytest.mark.parametrize("block", [997, 48_000, 1 << 20])
def test_blocks_do_not_matter(block):
    """The same onsets, to the sample, however the take is cut."""
    samples = strokes([0.3, 0.55, 0.9, 1.4, 1.45], [0.5, 0.1], 2.0)
    expected, whole = onsets_of(samples, block=samples.shape[1])
    found, parts = onsets_of(samples, block=block)

    place = ["track", "sample"]
    assert np.sort(found[place], order=place).tolist() == np.sort(expected[place], order=place).tolist()
    assert parts.percussive_share() == pytest.approx(whole.percussive_share(), rel=1e-3)


def test_steady_sound_has_no_onsets():
    """Noise: 12 dB over the mean is 16 times the energy; with 46 degrees of freedom that never happens."""
    rng = np.random.default_rng(0)
    time = np.arange(10 * RATE) / RATE
    steady = np.stack([rng.standard_normal(time.size), np.sin(2 * np.pi * 60 * time)]).astype(np.float32)
    found, detector = onsets_of(steady)

    assert not np.any(found["track"] == 0)
    assert detector.percussive_share()[0] == 0.0


def test_share_of_energy_after_onsets_tells_strokes_from_held_notes():
    """All energy of short strokes lies within the ring time; none of noise does."""
    rng = np.random.default_rng(1)
    samples = strokes(np.arange(0.3, 5, 0.4), [0.5, 0.0], 5.0)
    samples[1] = 0.1 * rng.standard_normal(samples.shape[1])
    _, detector = onsets_of(samples)

    assert detector.percussive_share()[0] > 0.95
    assert detector.percussive_share()[1] < 0.05


def onset(track, time_ms, level_db=0.0, rise_db=20.0):
    """One onset."""
    return made_onsets(track, [round(time_ms * RATE / 1e3)], level_db, rise_db)


def test_onsets_of_one_stroke_are_one_event():
    """Three tracks within the merging time; each keeps its own frame."""
    events = merge_onsets(np.concatenate([onset(1, 104), onset(0, 100), onset(2, 110)]), 3, RATE)

    assert [event.sample for event in events] == [4800]
    assert events[0].onset_samples.tolist() == [4800, 4992, 5280]


def test_events_too_close_to_part_are_left_out():
    """18 ms apart: two events, and each spoils the other; 30 ms apart both stay."""
    near = merge_onsets(np.concatenate([onset(0, 100), onset(0, 118)]), 1, RATE)
    far = merge_onsets(np.concatenate([onset(0, 100), onset(0, 130)]), 1, RATE)

    assert len(near) == 0
    assert len(far) == 2


def test_faint_onsets_make_no_event():
    """Against the track's own loudest ones."""
    loud = [onset(0, 1000 * k) for k in range(1, 9)]
    faint = onset(0, 9500, level_db=-STRONG_RANGE_DB - 1)

    assert len(merge_onsets(np.concatenate([*loud, faint]), 1, RATE)) == 8


@pytest.mark.parametrize(("items", "most"), [(0, 5), (1, 5), (5, 5), (100, 7), (7, 100)])
def test_spread_takes_both_ends_and_no_more_than_wanted(items, most):
    """Evenly: gaps differ by one at most."""
    taken = spread(items, most)

    assert len(taken) == min(items, most)
    if len(taken) > 1:
        assert (taken[0], taken[-1]) == (0, items - 1)
        assert np.ptp(np.diff(taken)) <= 1
