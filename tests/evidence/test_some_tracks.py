"""A source that is looked for in some tracks only says of them what it says when all are read."""

from dataclasses import fields, replace

import numpy as np

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.evidence.from_hits import hit_evidence
from polaritykit.struck.onsets import Event
from polaritykit.struck.sources import MOST_TRACKS, HitSource, find_sources

RATE = 48_000
STRIKES = np.arange(1, 25) * 12_000


def strokes(late: int, gain: float, seed: int):
    """One drum, heard late, over a noise of the track's own."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(4800) / RATE
    hit = np.exp(-time_s / 0.02) * np.sin(2 * np.pi * 180 * time_s)
    track = 1e-4 * rng.standard_normal(STRIKES[-1] + 12_000)
    for at in STRIKES:
        track[at + late : at + late + len(hit)] += gain * hit
    return track


def test_what_is_read_in_some_tracks_is_told_at_their_places():
    """A pair's offset, and its sign, do not depend on tracks that are left out; those say nothing."""
    tracks = {"near": strokes(0, 0.5, 1), "noise": strokes(0, 0.0, 2), "far": strokes(96, -0.2, 3)}
    n = len(tracks)
    events = [
        Event(sample=int(at), onset_samples=np.full(n, int(at)), rise_db=np.array([30.0, 0.0, 20.0]))
        for at in STRIKES
    ]
    source = HitSource(
        events=tuple(events),
        n_found=len(events),
        level_db=np.array([0.0, -60.0, -8.0]),
        home=0,
        lowness_db=0.0,
        highness_db=np.zeros(n),
    )
    recording, everywhere = ArrayRecording(tracks, RATE), np.ones(n, dtype=bool)
    whole = hit_evidence(recording, source, well_heard=everywhere)[0]
    some = hit_evidence(recording, replace(source, heard_in=(0, 2)), well_heard=everywhere)[0]

    # 96 samples are 2 ms; half a sample of picking either way.
    assert abs(some.offset_s[0, 2] - 96 / RATE) < 0.1e-3
    assert abs(some.offset_s[0, 2] - whole.offset_s[0, 2]) < 0.02e-3
    assert some.log_odds[0, 2] < -1.0
    assert some.known[0, 2]
    assert not some.known[1].any()
    assert not some.log_odds[1].any()
    assert some.obstacle[1] == "noise"
    assert some.hit_lags is not None
    assert some.hit_lags.similarity.shape == (len(some.at_samples), n)
    assert some.direct is not None
    assert {getattr(some.direct, field.name).shape for field in fields(some.direct)} == {(n, n)}


def test_of_very_many_tracks_those_are_read_that_rise_with_the_strokes():
    """However many noises lie before and between them, the home among them."""
    rng = np.random.default_rng(5)
    n = MOST_TRACKS + 8
    tracks = {f"{k:02d}": 0.02 * rng.standard_normal(STRIKES[-1] + 12_000) for k in range(n)}
    heard = (3, 40, n - 1)
    for place, k in enumerate(heard):
        tracks[f"{k:02d}"] = strokes(10 * place, 0.5 / (place + 1), k)
    rises = np.where(np.isin(np.arange(n), heard), 30.0, 0.0)
    events = [Event(sample=int(at), onset_samples=np.full(n, int(at)), rise_db=rises) for at in STRIKES]
    sources = find_sources(ArrayRecording(tracks, RATE), events)

    assert sources
    for source in sources:
        assert source.heard_in is not None
        assert len(source.heard_in) == MOST_TRACKS
        assert {*heard, source.home} <= set(source.heard_in)
