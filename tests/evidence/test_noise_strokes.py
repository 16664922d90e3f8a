"""Which pairs frames are asked of because no stroke repeats."""

import numpy as np

from polaritykit.evidence.collect import _noise_strokes
from polaritykit.evidence.source import SourceEvidence, silent_matrices


def source(
    *, apart: bool, similarity: float, level_db: float = 0.0, why: tuple[str, str] = ("", "")
) -> SourceEvidence:
    """Strokes that two tracks hear alike, or in which something else sounds."""
    offset, std, odds, known = silent_matrices(2)
    return SourceEvidence(
        kind="hits",
        home=0,
        n_used=8,
        n_found=8,
        at_samples=np.arange(8),
        offset_s=offset,
        std_s=std,
        known=known,
        log_odds=odds,
        level_db=np.full(2, level_db),
        obstacle=why,
        similarity=similarity,
        apart=apart,
    )


def test_only_sources_that_stand_apart_are_asked():
    """Where none does, hits say what they say: nothing is asked of frames, and nothing breaks."""
    assert _noise_strokes((source(apart=True, similarity=0.0),), 2).all()
    assert not _noise_strokes((source(apart=True, similarity=1.0),), 2).any()
    assert not _noise_strokes((source(apart=False, similarity=0.0),), 2).any()
    assert not _noise_strokes((), 2).any()


def test_a_source_that_does_not_stand_out_of_the_noise_says_nothing_of_the_strokes_there():
    """A rare drum of another kit: the level is of what sounds at its strokes, however loud that is."""
    noise = source(apart=True, similarity=0.0)
    assert not _noise_strokes((noise, source(apart=True, similarity=1.0)), 2).any()
    elsewhere = source(apart=True, similarity=1.0, level_db=40.0, why=("noise", "noise"))
    assert _noise_strokes((noise, elsewhere), 2).all()
    assert _noise_strokes((elsewhere,), 2).all()
    at_one = source(apart=True, similarity=1.0, level_db=40.0, why=("", "noise"))
    assert _noise_strokes((noise, at_one), 2).tolist() == [[False, False], [False, True]]
