"""What a track did during the take: lags and signs by hand, the recording with them taken back."""

import numpy as np
import pytest

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.changes.motion import (
    Holds,
    Motion,
    Step,
    gauged,
    joined,
    pair_changes,
)
from polaritykit.changes.steady_recording import SteadyRecording

RATE = 48_000
NAMES = ("kick", "snare")


def step(time_s, jump_ms=0.0, *, flip=False):
    """One step."""
    return Step(time_s=time_s, jump_s=jump_ms * 1e-3, flip=flip)


def test_the_longest_state_is_the_one_reported():
    """Three states of 2, 5 and 3 s: lags and signs count from the middle one."""
    motion = Motion(track=0, steps=(step(2, 1.0, flip=True), step(7, -0.5, flip=True)), duration_s=10)

    assert motion.state_s() == (2, 7)
    assert [motion.lag_s(time_s) for time_s in (1, 4, 8)] == pytest.approx([-1e-3, 0.0, -0.5e-3])
    assert [motion.sign(time_s) for time_s in (1, 4, 8)] == [-1, 1, -1]


def test_a_clock_counts_from_the_middle_of_the_take():
    """50 ppm over 10 s: 0.25 ms either way."""
    motion = Motion(track=0, rate=50e-6, duration_s=10)

    assert [motion.lag_s(time_s) for time_s in (0, 5, 10)] == pytest.approx([-0.25e-3, 0.0, 0.25e-3])


def test_a_steady_recording_is_the_recording_before_it_was_changed():
    """From 2 s on the second track is late by 48 samples and upside down; read, it is not."""
    noise = np.random.default_rng(1).standard_normal((2, 6 * RATE)).astype(np.float32)
    changed = noise.copy()
    changed[1, 2 * RATE :] = -noise[1, 2 * RATE - 48 : -48]
    motion = Motion(track=1, steps=(step(2, 1.0, flip=True),), duration_s=6)
    recording = ArrayRecording(dict(zip("ab", changed, strict=True)), RATE)
    steady = SteadyRecording(recording, [motion])

    # The longest state, from 2 s on, stays as it is; what came before is brought to it.
    assert (steady.track_names, steady.sample_rate_hz, steady.n_samples) == (("a", "b"), RATE, 6 * RATE)
    for start in (RATE // 2, 4 * RATE):
        read = steady.read(start, start + 4_800)
        np.testing.assert_array_equal(read[0], noise[0, start : start + 4_800])
        np.testing.assert_array_equal(read[1], -noise[1, start - 48 : start - 48 + 4_800])
    np.testing.assert_array_equal(steady.read(100, 200, (0,)), noise[:1, 100:200])


def test_what_most_tracks_do_is_the_clock_of_the_session():
    """Three of four drift alike: the fourth is the one on another clock, the other way."""
    motions = [Motion(track=track, rate=20e-6, duration_s=60) for track in range(3)]
    found = gauged([*motions, Motion(track=3, duration_s=60)])

    assert [(motion.track, motion.rate) for motion in found] == [(3, pytest.approx(-20e-6))]
    assert gauged([]) == ()
    assert gauged([Motion(track=0), Motion(track=1)]) == ()


def test_a_jump_of_most_tracks_is_the_one_that_stayed():
    """Three of four jump by 2 ms together: the fourth went 2 ms the other way; its flip stays its own."""
    late = [Motion(track=track, steps=(step(3, 2.0),), duration_s=10) for track in range(3)]
    turned = Motion(track=3, steps=(step(3, flip=True),), duration_s=10)
    found = gauged([*late, turned])

    assert [motion.track for motion in found] == [3]
    assert found[0].steps[0].jump_s == pytest.approx(-2e-3)
    assert found[0].steps[0].flip


def test_motions_found_one_after_the_other_add_up():
    """Rates add, steps come in order of time, the larger uncertainty is kept; strangers stand beside."""
    first = [Motion(track=2, rate=3e-6, rate_std=1e-7, steps=(step(5, 1.0),), duration_s=9)]
    second = [
        Motion(track=2, rate=1e-6, rate_std=2e-7, steps=(step(2, flip=True),), duration_s=9),
        Motion(track=0, rate=5e-6, duration_s=9),
    ]
    found = joined(first, second)

    assert [motion.track for motion in found] == [0, 2]
    assert (found[1].rate, found[1].rate_std) == (pytest.approx(4e-6), 2e-7)
    assert [each.time_s for each in found[1].steps] == [2, 5]


def test_a_pair_tells_both_tracks_changes_with_its_sign():
    """A reference that becomes 1 ms later makes the pair's offset 1 ms smaller; b against a."""
    moved = Motion(track=0, steps=(step(8, 1.0),), duration_s=10)
    found = pair_changes(NAMES, (0, 1), 3.0, [moved])

    (change,) = found.changes
    assert (change.offset_before_ms, change.offset_after_ms) == (pytest.approx(3.0), pytest.approx(2.0))
    assert (found.drift_ppm, change.time_s) == (None, 8)
    assert found.holds == (Holds(track="kick", from_s=0.0, to_s=8.0),)
    unknown = pair_changes(NAMES, (0, 1), None, [moved]).changes[0]
    assert (unknown.offset_before_ms, unknown.offset_after_ms) == (None, None)


def test_a_pair_on_two_clocks():
    """The rate is that of b less that of a."""
    found = pair_changes(NAMES, (0, 1), 1.0, [Motion(track=0, rate=10e-6, duration_s=60)])

    assert found.drift_ppm == pytest.approx(-10.0)
    assert pair_changes(NAMES, (0, 1), 1.0, [Motion(track=7, rate=1e-5)]).drift_ppm is None
