"""A mic put two metres further away is the same mic: takes that share no sound still share none.

Source: by definition (no sound becomes common by a delay); takes and rooms of the accuracy benchmark.
"""

import sys
from dataclasses import replace

import pytest
from places import BENCHMARKS

import polaritykit

sys.path.insert(0, str(BENCHMARKS))

import sessions_continuous
from sessions_base import Session, delayed


def related(session: Session) -> set[tuple[str, str]]:
    """Pairs that are told to share sound."""
    findings = polaritykit.analyse_arrays(session.tracks, sample_rate_hz=session.sample_rate_hz)
    return {(pair.reference, pair.other) for pair in findings.pairs if pair.related}


@pytest.mark.parametrize(("kind", "seed"), [("organ", 301), ("drums", 301), ("drums", 302), ("voice", 301)])
def test_moving_one_mic_relates_nothing(kind: str, seed: int) -> None:
    """One key and tempo, one beat, or nothing in common; the second take is heard 5 ms later."""
    session = sessions_continuous.unrelated_session(seed, kind, seconds=8)
    late = {"take_2": delayed(session.tracks["take_2"], 0.005 * session.sample_rate_hz)}

    assert related(session) == set()
    assert related(replace(session, tracks={**session.tracks, **late})) == set()
