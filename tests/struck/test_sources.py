"""Sources of made-up strokes whose homes are known."""

from types import SimpleNamespace

import numpy as np
import pytest
from made_strokes import RATE, onsets_of, stroke, strokes
from scipy import signal

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.struck import sources
from polaritykit.struck.onsets import merge_onsets
from polaritykit.struck.sources import NOT_HEARD_DB, find_sources


@pytest.fixture(scope="module")
def two_drums():
    """Two drums on three mics, one near each, one far from both; near that a third comes four times."""
    rng = np.random.default_rng(8)
    n = 16 * RATE
    tracks = 1e-4 * rng.standard_normal((3, n))
    gains = {"low": (1.0, 0.05, 0.2), "high": (0.04, 1.0, 0.2), "rare": (0.05, 0.05, 1.0)}
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
    recording = ArrayRecording(dict(zip("abcd", tracks, strict=False)), RATE)
    return find_sources(recording, merge_onsets(found, len(tracks), RATE))


def names_of(source, labels):
    """Labels of a source's events by their times."""
    at = np.array([time for time, _ in labels])
    return {labels[int(np.argmin(np.abs(at - event.sample)))][1] for event in source.events}


def test_sources_are_pure_and_have_their_near_mic_as_home(two_drums):
    """Each cluster holds one drum only, the rare one's four strokes too."""
    tracks, labels = two_drums
    found = {tuple(names_of(source, labels)): source for source in sources_of(tracks)}

    assert set(found) == {("low",), ("high",), ("rare",)}
    assert found["low",].home == 0
    assert found["high",].home == 1
    assert [found[name,].n_found for name in ("low", "high", "rare")] == [18, 16, 4]
    assert all(source.apart for source in found.values())


def test_preamp_gains_do_not_change_the_sources(two_drums):
    """Levels are compared with each track's own."""
    tracks, _ = two_drums
    plain = sources_of(tracks)
    turned = sources_of(tracks * np.array([[0.1], [-1.0], [0.5]]))

    # Only their order goes by levels as recorded.
    assert sorted((s.home, [e.sample for e in s.events]) for s in turned) == sorted(
        (s.home, [e.sample for e in s.events]) for s in plain
    )


def test_a_track_that_is_never_struck_changes_nothing(two_drums):
    """Noise on a fourth track, louder than all: the same strokes, homes and levels."""
    tracks, _ = two_drums
    hiss = 0.3 * np.random.default_rng(9).standard_normal((1, tracks.shape[1]))
    for one, two in zip(sources_of(tracks), sources_of(np.vstack([tracks, hiss])), strict=True):
        assert [event.sample for event in two.events] == [event.sample for event in one.events]
        assert (two.home, two.lowness_db) == (one.home, pytest.approx(one.lowness_db))
        assert two.level_db[:3] == pytest.approx(one.level_db)


@pytest.mark.parametrize("most_tracks", [64, 4])
def test_a_track_struck_by_itself_hears_what_makes_it_louder(two_drums, most_tracks, monkeypatch):
    """Noise of 3 dB more than a drum's faint sound in it, and noise alone: only the first hears the drum."""
    tracks, _ = two_drums
    noise = 0.01 * np.random.default_rng(10).standard_normal((2, tracks.shape[1]))
    noise[0] += 0.05 * tracks[0]
    made = np.vstack([tracks, noise])
    events = merge_onsets(onsets_of(tracks.astype(np.float32))[0], 5, RATE)
    elsewhere = np.array([False, False, False, True, True])
    # Of more tracks than that only the strokes that are used are asked of them.
    monkeypatch.setattr("polaritykit.struck.sources.MOST_TRACKS", most_tracks)
    found = find_sources(
        ArrayRecording(dict(zip("abcde", made, strict=True)), RATE), events, elsewhere=elsewhere
    )
    low = next(source for source in found if source.home == 0)

    assert low.heard_in == (0, 1, 2, 3)
    assert low.level_db[4] == NOT_HEARD_DB < low.level_db[3]


def test_too_few_events_make_no_source():
    """Three strokes say nothing of their spread."""
    few = strokes([0.5, 1.0, 1.5], [0.5, 0.2, 0.1], 3.0)

    assert sources_of(few) == []


def test_no_events_make_no_source():
    """Nothing in, nothing out, and nothing read."""
    assert find_sources(SimpleNamespace(sample_rate_hz=RATE), []) == []


def test_strokes_covered_by_what_rings_from_before_are_left_out(two_drums):
    """Of two drums' strokes laid again with a loud burst dying away under every second one of the first."""
    tracks, labels = two_drums
    rng = np.random.default_rng(11)
    covered = [at for at, name in labels if name == "low"][::2]
    made = tracks.copy()
    for at in covered:
        ring = rng.standard_normal(round(0.12 * RATE)) * np.exp(-np.arange(round(0.12 * RATE)) / 4000)
        made[2, at - round(0.06 * RATE) : at + round(0.06 * RATE)] += 0.1 * ring
    low = next(source for source in sources_of(made) if source.home == 0)
    used = [event.sample for event in low.events]
    hidden = sum(min(abs(at - sample) for at in covered) < 1000 for sample in used)

    # Ten are kept in any case, and nine are clean.
    assert len(used) >= 9
    assert hidden <= 1


def test_a_cymbal_over_most_strokes_does_not_lend_them_its_mic():
    """Eighths on a hat lie over three of four strokes of a drum; what all strokes share is the drum's."""
    rng = np.random.default_rng(12)
    tracks = 1e-4 * rng.standard_normal((3, 16 * RATE))
    high = signal.butter(8, 6000, "highpass", fs=RATE, output="sos")
    alone = []
    for number in range(24):
        at = round((0.3 + 0.6 * number) * RATE)
        drum, hat = stroke(rng, 150.0), signal.sosfilt(high, stroke(rng))
        for track, gain in enumerate((1.0, 0.05, 0.2)):
            tracks[track, at : at + len(drum)] += 0.3 * gain * drum
        if number % 4:
            for track, gain in enumerate((0.02, 1.0, 0.2)):
                tracks[track, at : at + len(hat)] += gain * hat
        else:
            alone.append(at)
    found = sources_of(tracks)

    assert [source.home for source in found] == [0]
    used = [event.sample for event in found[0].events]
    assert all(min(abs(at - sample) for sample in used) < 500 for at in alone)


def test_a_group_counts_by_the_cuts_at_which_it_stands(two_drums):
    """Two kinds of strokes that one of two tracks hears 7.5 dB apart, the other alike.

    Root-mean-square over the two tracks (in each band) they are 7.5/sqrt(2) = 5.3 dB apart: two groups at
    lower cuts, one at higher ones, of cuts from 5/sqrt(2) to 5·sqrt(2) dB evenly in their logarithm.
    """
    tracks, _ = two_drums
    assert {source.cuts for source in sources_of(tracks)} == {(0.0, 1.0)}

    rng = np.random.default_rng(3)
    times = 0.3 + 0.4 * np.arange(24)
    heard = 1e-5 * rng.standard_normal((2, 11 * RATE))
    for number, time in enumerate(times):
        sound, at = rng.uniform(0.5, 1.0) * stroke(rng), round(time * RATE)
        heard[0, at : at + len(sound)] += sound
        heard[1, at : at + len(sound)] += 0.3 * 10 ** (-7.5 * (number % 2) / 20) * sound
    found = sorted((source.cuts, source.n_found) for source in sources_of(heard))
    expected = np.log2(7.5 / 2**0.5 / (5.0 / 2**0.5))

    assert [count for _, count in found] == [12, 12, 24]
    assert [cuts for cuts, _ in found] == [
        pytest.approx((0.0, expected), abs=0.02),
        pytest.approx((0.0, expected), abs=0.02),
        pytest.approx((expected, 1.0), abs=0.02),
    ]
    assert [source.apart for source in sources_of(heard)].count(True) == 2


def test_what_shares_no_stroke_with_others_is_apart():
    """Sets of events (by definition): a group beside those at the middle cut, and a rare one beside all."""

    def group(first, stop, cuts, *, apart=False):
        return sources._Group(members=np.arange(first, stop), cuts=cuts, apart=apart)

    middle = group(0, 20, (0.2, 0.7), apart=True)
    wide = group(0, 30, (0.7, 1.0))
    tom = group(30, 38, (0.8, 1.0))
    part = group(30, 37, (0.6, 0.7))
    rare = group(40, 44, (0.0, 1.0), apart=True)
    stray = group(21, 25, (0.0, 1.0), apart=True)
    found = sources._with_the_rest_apart([middle, wide, tom, part, rare, stray])
    apart = {(int(one.members[0]), len(one.members)) for one in found if one.apart}
    assert apart == {(0, 20), (30, 8), (40, 4)}
    assert (21, 4) not in {(int(one.members[0]), len(one.members)) for one in found}
