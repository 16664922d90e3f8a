"""Onsets, events and sources of made-up strokes whose times and homes are known."""

from types import SimpleNamespace

import numpy as np
import pytest

from polaritykit.events import Onset, OnsetDetector, find_sources, merge_onsets, spread
from polaritykit.recording import ArrayRecording
from polaritykit.settings import EventSettings

RATE = 48_000
SETTINGS = EventSettings()


def stroke(rng, tone_hz=None, n=6000):
    """Make a sudden sound that dies away: noise, or a tone with a click."""
    decay = np.exp(-np.arange(n) / 900)
    noise = rng.standard_normal(n)
    if tone_hz is None:
        return decay * noise
    return decay * np.sin(2 * np.pi * tone_hz * np.arange(n) / RATE) + 0.3 * noise * np.exp(
        -np.arange(n) / 100
    )


def strokes(times, gains, seconds, seed=0, noise=1e-4):
    """Lay strokes at times on tracks with the given gains; shape (n_tracks, n)."""
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE)
    made = noise * rng.standard_normal((len(gains), n))
    for time in times:
        sound = stroke(rng)
        at = round(time * RATE)
        for track, gain in enumerate(gains):
            length = min(len(sound), n - at)
            made[track, at : at + length] += gain * sound[:length]
    return made.astype(np.float32)


def onsets_of(samples, block=1 << 15):
    """Run the detector over blocks."""
    detector = OnsetDetector(len(samples), RATE, SETTINGS)
    for start in range(0, samples.shape[1], block):
        detector.update(samples[:, start : start + block])
    return detector.onsets(), detector


def test_every_stroke_is_found_once_in_its_own_millisecond():
    """Twenty strokes at odd times."""
    times = 0.2 + np.cumsum(np.random.default_rng(4).uniform(0.08, 0.4, 20))
    found, _ = onsets_of(strokes(times, [0.5], times[-1] + 0.5))
    # The frame that holds the stroke's beginning, or the next where it begins at the frame's very end.
    late = np.array([onset.sample for onset in found]) / RATE - times

    assert len(found) == len(times)
    assert np.all((late > -1.01e-3) & (late < 1.01e-3))


@pytest.mark.parametrize("block", [997, 48_000, 1 << 20])
def test_blocks_do_not_matter(block):
    """The same onsets, to the sample, however the take is cut."""
    samples = strokes([0.3, 0.55, 0.9, 1.4, 1.45], [0.5, 0.1], 2.0)
    expected, whole = onsets_of(samples, block=samples.shape[1])
    found, parts = onsets_of(samples, block=block)

    key = [(onset.track, onset.sample) for onset in sorted(found, key=lambda o: (o.track, o.sample))]
    assert key == [(o.track, o.sample) for o in sorted(expected, key=lambda o: (o.track, o.sample))]
    assert parts.percussive_share() == pytest.approx(whole.percussive_share(), rel=1e-3)


def test_steady_sound_has_no_onsets():
    """Noise: 12 dB over the mean is 16 times the energy; with 46 degrees of freedom that never happens."""
    rng = np.random.default_rng(0)
    time = np.arange(10 * RATE) / RATE
    steady = np.stack([rng.standard_normal(time.size), np.sin(2 * np.pi * 60 * time)]).astype(np.float32)
    found, detector = onsets_of(steady)

    assert [onset for onset in found if onset.track == 0] == []
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
    return Onset(track=track, sample=round(time_ms * RATE / 1e3), level_db=level_db, rise_db=rise_db)


def test_onsets_of_one_stroke_are_one_event():
    """Three tracks within the merging time; each keeps its own frame."""
    events = merge_onsets([onset(1, 104), onset(0, 100), onset(2, 110)], 3, RATE, SETTINGS)

    assert [event.sample for event in events] == [4800]
    assert events[0].onset_samples.tolist() == [4800, 4992, 5280]


def test_events_too_close_to_part_are_left_out():
    """18 ms apart: two events, and each spoils the other; 30 ms apart both stay."""
    near = merge_onsets([onset(0, 100), onset(0, 118)], 1, RATE, SETTINGS)
    far = merge_onsets([onset(0, 100), onset(0, 130)], 1, RATE, SETTINGS)

    assert len(near) == 0
    assert len(far) == 2


def test_faint_onsets_make_no_event():
    """Against the track's own loudest ones."""
    loud = [onset(0, 1000 * k) for k in range(1, 9)]
    faint = onset(0, 9500, level_db=-SETTINGS.strong_range_db - 1)

    assert len(merge_onsets([*loud, faint], 1, RATE, SETTINGS)) == 8


@pytest.mark.parametrize(("items", "most"), [(0, 5), (1, 5), (5, 5), (100, 7), (7, 100)])
def test_spread_takes_both_ends_and_no_more_than_wanted(items, most):
    """Evenly: gaps differ by one at most."""
    taken = spread(items, most)

    assert len(taken) == min(items, most)
    if len(taken) > 1:
        assert (taken[0], taken[-1]) == (0, items - 1)
        assert np.ptp(np.diff(taken)) <= 1


@pytest.fixture(scope="module")
def two_drums():
    """Two drums on three mics, one near each and one far from both; a third sound that comes four times."""
    rng = np.random.default_rng(8)
    n = 16 * RATE
    tracks = 1e-4 * rng.standard_normal((3, n))
    gains = {"low": (1.0, 0.05, 0.2), "high": (0.04, 1.0, 0.2), "rare": (0.5, 0.5, 0.01)}
    labels = []
    order = rng.permutation(["low"] * 18 + ["high"] * 16 + ["rare"] * 4)
    for number, name in enumerate(order):
        at = round((0.3 + 0.4 * number) * RATE)
        sound = rng.uniform(0.3, 1.0) * stroke(rng, {"low": 150.0, "high": 700.0, "rare": None}[name])
        for track, gain in enumerate(gains[name]):
            late = at + (0, 0, 150)[track]
            tracks[track, late : late + len(sound)] += gain * sound
        labels.append((at, name))
    return tracks, labels


def sources_of(tracks):
    """From samples to sources as the analysis does."""
    found, _ = onsets_of(tracks.astype(np.float32))
    recording = ArrayRecording(dict(zip("abc", tracks, strict=True)), RATE)
    return find_sources(recording, merge_onsets(found, len(tracks), RATE, SETTINGS), SETTINGS)


def names_of(source, labels):
    """Labels of a source's events by their times."""
    at = np.array([time for time, _ in labels])
    return {labels[int(np.argmin(np.abs(at - event.sample)))][1] for event in source.events}


def test_sources_are_pure_and_have_their_near_mic_as_home(two_drums):
    """Each cluster holds one drum only; what comes too seldom is no source."""
    tracks, labels = two_drums
    found = {tuple(names_of(source, labels)): source for source in sources_of(tracks)}

    assert set(found) == {("low",), ("high",)}
    assert found["low",].home == 0
    assert found["high",].home == 1
    assert (found["low",].n_found, found["high",].n_found) == (18, 16)


def test_preamp_gains_do_not_change_the_sources(two_drums):
    """Levels are compared with each track's own."""
    tracks, _ = two_drums
    plain = sources_of(tracks)
    turned = sources_of(tracks * np.array([[0.1], [-1.0], [0.5]]))

    assert [(s.home, [e.sample for e in s.events]) for s in turned] == [
        (s.home, [e.sample for e in s.events]) for s in plain
    ]


def test_too_few_events_make_no_source():
    """Five strokes say nothing of their spread."""
    few = strokes([0.5, 1.0, 1.5, 2.0, 2.5], [0.5, 0.2, 0.1], 3.0)

    assert sources_of(few) == []


def test_no_events_make_no_source():
    """Nothing in, nothing out, and nothing read."""
    assert find_sources(SimpleNamespace(sample_rate_hz=RATE), [], SETTINGS) == []
