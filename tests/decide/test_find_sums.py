"""Buses found, by buses made of tracks: in time, late, filtered; and microphones that are none."""

import numpy as np
import pytest
from scipy.signal import lfilter

from polaritykit.analysis import analyse_arrays
from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.decide.find_sums import find_sums
from polaritykit.evidence.first_pass import pooled_spectra

RATE, SECONDS = 48_000, 4
N = RATE * SECONDS


def mics(seed=0):
    """Three mics on three noises: each hears its own, the others 8 dB down later, and hiss."""
    rng = np.random.default_rng(seed)
    sources = rng.standard_normal((3, N + RATE // 10))
    late = rng.integers(100, 800, (3, 3))
    gains = np.where(np.eye(3, dtype=bool), 1.0, 10 ** (-8 / 20))
    heard = [
        sum(gain * one[lag : lag + N] for gain, one, lag in zip(row, sources, lags, strict=True))
        for row, lags in zip(gains, late, strict=True)
    ]
    return [one + 10 ** (-50 / 20) * rng.standard_normal(N) for one in heard]


def found_in(tracks, n=N):
    """Look for sums as an analysis does."""
    named = {f"track {k}": one[:n].astype(np.float32) for k, one in enumerate(tracks)}
    return find_sums(pooled_spectra(ArrayRecording(named, RATE)), [True] * len(tracks))


def late_by(samples, sound):
    """Delay a sound by whole samples."""
    return np.concatenate([np.zeros(samples), sound])[: len(sound)]


@pytest.mark.parametrize("late", [0, 256])
def test_a_bus_is_named_with_its_parts_and_its_lateness(late):
    """Two of three mics at gains of their own; their own sum with one taken away is no bus."""
    a, b, c = mics()
    (found,) = found_in([a, b, c, late_by(late, 0.8 * a + 0.5 * c)])

    assert (found.track, found.parts) == (3, (0, 2))
    assert found.late_s * RATE == pytest.approx(late)


def test_a_stereo_bus_is_two_sums():
    """Each side at gains of its own, some mics in one side only."""
    a, b, c = mics(1)
    found = found_in([a, b, c, 0.9 * a + 0.4 * b, 0.3 * a + 0.6 * b + 0.5 * c])

    assert [one.track for one in found] == [3, 4]


def test_a_bus_with_a_shelf_is_one():
    """Gains may change over frequency: 4 dB more above some kilohertz (a first-order shelf)."""
    a, b, c = mics(2)
    (found,) = found_in([a, b, c, lfilter([1.3, -0.5], [1.0, -0.4], a + b)])

    assert (found.track, found.parts) == (3, (0, 1))


def test_microphones_are_no_sums():
    """What one hears beside the others is its own: hiss, and its own ways; a copy is of one track alone."""
    a, b, c = mics(3)

    assert found_in([a, b, c]) == ()
    assert found_in([a, b, c, late_by(64, a)]) == ()
    # A fourth mic on the same three noises, between the others.
    assert found_in([*mics(4)[:1], *mics(3)]) == ()


def test_a_sum_with_something_of_its_own_is_none():
    """A bus with a reverberation of its own that is 10 dB down is not what its parts are."""
    a, b, c = mics(5)
    more = 10 ** (-10 / 20) * np.random.default_rng(6).standard_normal(N)

    assert found_in([a, b, c, a + b + more]) == ()


def test_few_frames_tell_nothing():
    """Least squares on three tracks explain a quarter of twelve frames of anything (degrees of freedom)."""
    a, b, c = mics(7)

    assert found_in([a, b, c, a + b], n=2 * 2048) == ()


def test_a_bus_is_not_judged_and_changes_nothing():
    """What it hears it hears in its parts: their answers stay, and it is told what it is."""
    tracks = [one.astype(np.float32) for one in mics(8)]
    named = dict(zip("abc", tracks, strict=True))
    plain = analyse_arrays(named, sample_rate_hz=RATE)
    found = analyse_arrays({**named, "bus": tracks[0] + tracks[1]}, sample_rate_hz=RATE)
    bus = found.corrections.tracks[3]

    assert (bus.status, bus.reason, bus.sum_of, bus.shift_ms, bus.invert) == (
        "not judged", "bus", ("a", "b"), 0.0, False
    )  # fmt: skip
    assert {pair.cause.code for pair in found.pairs if pair.other == "bus"} == {"printed_sum"}
    again = [pair for pair in found.pairs if pair.other != "bus"]
    assert [pair.polarity for pair in plain.pairs] == [pair.polarity for pair in again]
    # The more pairs, the fewer windows of the whole take for each.
    told, again_ms = ([pair.offset_ms for pair in pairs] for pairs in (plain.pairs, again))
    assert told == pytest.approx(again_ms, abs=1e-3)
