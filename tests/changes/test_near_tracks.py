"""The quick look at a home's other tracks: who shares its sound passes, and few others do."""

import numpy as np
import pytest

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.base.types import Floats
from polaritykit.changes.frame_lags import read_pair_lags
from polaritykit.changes.near_tracks import near_tracks
from polaritykit.sustained.activity import ActivityMeter
from polaritykit.sustained.frame_phases import frame_phases
from polaritykit.sustained.home_frames import read_frames_of
from polaritykit.sustained.phase_curve import MIN_SIGNIFICANCE, phase_curve

RATE, SEARCH_MS = 16_000, 40.0


def levels_of(recording: ArrayRecording) -> Floats:
    """Levels in frames, as the first pass measures them."""
    meter = ActivityMeter(len(recording.track_names), recording.n_samples, RATE)
    for _, block in recording.blocks(1 << 16):
        meter.update(block)
    return meter.levels_db()


def near(tracks: dict[str, Floats]) -> list[str]:
    """Names of the tracks that are near to the first one."""
    recording = ArrayRecording(tracks, RATE)
    [phases] = frame_phases(recording, levels_of(recording), [0])
    return [list(tracks)[at] for at in near_tracks(phases, 0, range(1, len(tracks)), SEARCH_MS)]


def test_tracks_that_share_sound_are_near_and_noises_of_their_own_are_not() -> None:
    """Half of the power in common stands far above chance, none of it 1 time in 1000 (Knapp and Carter)."""
    rng = np.random.default_rng(2)
    n = 8 * RATE
    common = rng.standard_normal(n + 400)
    tracks = {"home": common[400:] + 0.5 * rng.standard_normal(n)}
    tracks["late"] = common[250:-150] + rng.standard_normal(n)
    tracks["turned"] = -common[400:] + rng.standard_normal(n)
    tracks |= {f"own {k}": rng.standard_normal(n) for k in range(20)}
    assert near(tracks) == ["late", "turned"]


@pytest.mark.parametrize("kind", ["drift", "step"])
def test_a_track_that_moves_away_from_its_pooled_peak_is_near(kind: str) -> None:
    """Frames that lie on a line or on two sides of a step are what `read_pair_lags` finds in them."""
    rng = np.random.default_rng(4)
    n = 30 * RATE
    common = rng.standard_normal(n + 2000)
    at = np.arange(n) + 1000.0
    at = at * (1 - 150e-6) if kind == "drift" else at - np.where(at > n // 2, 90.0, 0.0)
    moved = np.interp(at, np.arange(len(common)), common)
    tracks = {"home": common[1000 : 1000 + n], "moved": moved, "own": rng.standard_normal(n)}
    recording = ArrayRecording(tracks, RATE)
    frames = read_frames_of(recording, levels_of(recording), 0, SEARCH_MS)
    lags = read_pair_lags(
        frames.spectra_of(0), frames.spectra_of(1), frames.times_s, RATE, pair=(0, 1), search_ms=SEARCH_MS
    )
    assert lags.verdict == kind
    assert near(tracks) == ["moved"]


def test_a_silent_track_is_near_to_none() -> None:
    """Zeros have no phase."""
    rng = np.random.default_rng(5)
    n = 4 * RATE
    common = rng.standard_normal(n)
    assert near({"home": common, "silence": np.zeros(n), "same": common}) == ["same"]


def test_little_memory_takes_the_homes_in_groups(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each home once, in order, with the very phases that all at once give."""
    rng = np.random.default_rng(6)
    tracks = {str(k): rng.standard_normal(12 * RATE) for k in range(4)}
    recording = ArrayRecording(tracks, RATE)
    levels = levels_of(recording)
    [whole] = frame_phases(recording, levels, range(4))
    monkeypatch.setattr("polaritykit.sustained.frame_phases._BYTES", 4.0 * 4 * 1000 * 30)
    groups = list(frame_phases(recording, levels, range(4)))
    assert len(groups) > 1
    assert [home for group in groups for home in group.homes] == list(range(4))
    last = groups[-1]
    np.testing.assert_array_equal(
        last.phasors(len(last.homes) - 1, range(4)), whole.phasors(3, range(4)), strict=True
    )


def test_notes_of_one_scale_are_near_only_where_reading_them_tells_something() -> None:
    """Held against the reading itself: seven players of random notes of five, none of them together."""
    rng = np.random.default_rng(11)
    n, note = 40 * RATE, RATE // 2
    time_s = np.arange(note) / RATE
    pitches_hz = 220.0 * 2.0 ** (np.array([0, 2, 4, 7, 9]) / 12.0)
    tracks = {}
    for player in range(7):
        notes = [
            sum(np.sin(2 * np.pi * hz * k * time_s + rng.uniform(0, 6.3)) / k for k in range(1, 6))
            for hz in rng.choice(pitches_hz, n // note)
        ]
        tracks[str(player)] = np.concatenate(notes) * 0.1 + 1e-3 * rng.standard_normal(n)
    recording = ArrayRecording(tracks, RATE)
    frames = read_frames_of(recording, levels_of(recording), 0, SEARCH_MS)
    told = []
    for other in range(1, len(tracks)):
        spectra = frames.spectra_of(0), frames.spectra_of(other)
        lags = read_pair_lags(*spectra, frames.times_s, RATE, pair=(0, other), search_ms=SEARCH_MS)
        curve = phase_curve(*spectra, RATE, search_ms=SEARCH_MS)
        if lags.verdict != "unknown" or (curve is not None and curve.significance >= MIN_SIGNIFICANCE):
            told.append(str(other))
    assert near(tracks) == told
    assert len(told) < len(tracks) - 1
