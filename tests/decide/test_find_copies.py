"""Copies found, by copies made: delayed, turned over, filtered, louder; and microphones that are none."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.decide.find_copies import find_copies

RATE, FRAME = 48_000, 8192


def takes(seed=1, seconds=4):
    """Two microphones on one source: one sound, a room and a noise of their own each."""
    rng = np.random.default_rng(seed)
    n = seconds * RATE
    dry = rng.standard_normal(n) * np.exp(-(np.arange(n) % 24_000) / 4000)
    decay = np.exp(-np.arange(4800) / 1200)
    rooms = [np.convolve(dry, rng.standard_normal(4800) * decay * 0.02)[:n] for _ in range(2)]
    return [dry + room + 1e-4 * rng.standard_normal(n) for room in rooms]


def copies_of(tracks, **options):
    """Find copies as an analysis does."""
    names = {f"t{k}": x for k, x in enumerate(tracks)}
    n = len(tracks[0]) // FRAME
    levels = np.array([[np.mean(x[k * FRAME : (k + 1) * FRAME] ** 2) for x in tracks] for k in range(n)])
    return find_copies(
        ArrayRecording(names, RATE),
        10 * np.log10(levels + 1e-12),
        np.ones(len(tracks), dtype=bool),
        frame_samples=FRAME,
        **options,
    )


@pytest.mark.parametrize("lag", [0, 1, 64, 480, 4700])
@pytest.mark.parametrize("gain", [1.0, -0.3])
def test_a_late_copy_is_found_with_its_lateness_and_its_sign(lag, gain):
    """To a hundredth of a sample; whatever its gain."""
    near, far = takes()
    late = gain * np.concatenate([np.zeros(lag), near[: len(near) - lag]])
    found = copies_of([near, far, late])

    assert [(copy.track, copy.original) for copy in found] == [(2, 0)]
    assert found[0].late_s * RATE == pytest.approx(lag, abs=0.01)
    assert found[0].inverted == (gain < 0)
    assert not found[0].filtered


def test_of_two_the_one_that_sounds_first_is_the_original_whatever_their_order():
    """The order of tracks says nothing, the anchor does."""
    near, _ = takes()
    late = np.concatenate([np.zeros(64), near[:-64]])

    assert [(c.track, c.original) for c in copies_of([late, near])] == [(0, 1)]
    assert [(c.track, c.original) for c in copies_of([late, near], anchor=0)] == [(1, 0)]


def test_a_filtered_copy_is_one():
    """A processed duplicate: high-passed at 100 Hz and low-passed at 8 kHz."""
    near, far = takes()
    shaped = sosfilt(butter(2, [100, 8000], "bandpass", fs=RATE, output="sos"), near)
    found = copies_of([near, far, np.concatenate([np.zeros(64), shaped[:-64]])])

    assert [(copy.track, copy.original, copy.filtered) for copy in found] == [(2, 0, True)]
    assert found[0].late_s * RATE == pytest.approx(64, abs=2)


def test_two_microphones_on_one_source_are_no_copies():
    """Nor is a take of the same length and envelope."""
    near, far = takes()

    assert copies_of([near, far]) == ()
