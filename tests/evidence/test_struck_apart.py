"""A track struck at moments of its own changes nothing of what is read of the others."""

import numpy as np
from made_strokes import RATE, stroke

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.evidence.collect import collect
from polaritykit.evidence.first_pass import read_first_pass
from polaritykit.evidence.settings import Settings

SECONDS = 14


def drums(rng):
    """Two drums on two near mics and one further off, each of its own level there."""
    tracks = 1e-4 * rng.standard_normal((3, SECONDS * RATE))
    for number, at in enumerate(np.sort(rng.uniform(0.3, SECONDS - 0.5, 36))):
        sound = rng.uniform(0.3, 1.0) * stroke(rng, (150.0, 700.0)[number % 2])
        for track, gain in enumerate(((1.0, 0.05, 0.2), (0.04, 1.0, 0.2))[number % 2]):
            late = round(at * RATE) + (0, 0, 150)[track]
            tracks[track, late : late + len(sound)] += gain * sound
    return tracks


def read(tracks):
    """Read the evidence of tracks named a, b, c and so on."""
    recording = ArrayRecording(dict(zip("abcd", tracks.astype(np.float32), strict=False)), RATE)
    first = read_first_pass(recording, Settings(), lambda *_: None)
    return collect(recording, first, settings=Settings(), progress=lambda *_: None).evidence


def test_a_loop_beside_a_kit():
    """Its onsets tell no strokes of the kit apart, and it is told of as heard by no other track."""
    rng = np.random.default_rng(5)
    kit = drums(rng)
    loop = 1e-4 * rng.standard_normal(kit.shape[1])
    for at in rng.uniform(0.3, SECONDS - 0.5, 30):
        sound = stroke(rng, 90.0)
        loop[round(at * RATE) : round(at * RATE) + len(sound)] += 2.0 * sound
    alone = [item for item in read(kit) if item.kind == "hits"]
    beside = [item for item in read(np.vstack([kit, loop])) if item.kind == "hits"]
    both = [item for item in beside if item.home != 3]

    assert {item.home for item in alone} == {0, 1}
    assert len(both) == len(alone) < len(beside)
    for one, two in zip(alone, both, strict=True):
        assert (one.home, one.n_found, one.cuts) == (two.home, two.n_found, two.cuts)
        assert np.array_equal(one.at_samples, two.at_samples)
        assert np.array_equal(one.offset_s, two.offset_s[:3, :3])
        assert np.array_equal(one.log_odds, two.log_odds[:3, :3])
        assert np.array_equal(one.level_db, two.level_db[:3])
        assert not two.known[3].any()
    assert not any(item.known.any() for item in beside if item.home == 3)
