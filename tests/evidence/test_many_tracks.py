"""Tracks that share nothing cost next to nothing each: what evidence holds grows with the pairs that do."""

import tracemalloc

import numpy as np

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.evidence.collect import collect
from polaritykit.evidence.first_pass import read_first_pass
from polaritykit.evidence.settings import Settings

RATE = 8000


def test_strangers_hold_no_matrix_of_their_own() -> None:
    """Each home's three matrices of all pairs in double precision would be n·(3·8+1)·n² bytes: 17 MB here.

    Frames of all tracks for one home would be as much again; what is left is one block of each.
    """
    n = 88
    rng = np.random.default_rng(1)
    tracks = {f"t{k}": 0.1 * rng.standard_normal(RATE) for k in range(n - 1)}
    tracks["late"] = np.roll(tracks["t0"], 20)
    recording = ArrayRecording(tracks, RATE)
    first = read_first_pass(recording, Settings(), lambda *_: None)
    tracemalloc.start()
    evidence = collect(recording, first, settings=Settings(), progress=lambda *_: None).evidence
    held = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert [
        (item.home, np.flatnonzero(item.known[item.home]).tolist()) for item in evidence if item.known.any()
    ]
    silent = [item for item in evidence if not item.known.any()]
    assert len(silent) > n // 2
    assert len({id(item.offset_s) for item in silent}) == 1
    assert held < 0.25 * n * 25 * n**2
