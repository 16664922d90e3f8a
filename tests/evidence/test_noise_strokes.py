"""Which pairs frames are asked of because no stroke repeats."""

import numpy as np

from polaritykit.evidence.collect import _noise_strokes
from polaritykit.evidence.source import SourceEvidence, silent_matrices


def source(*, apart: bool, similarity: float) -> SourceEvidence:
    """Strokes that two tracks hear alike."""
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
        level_db=np.zeros(2),
        obstacle=("", ""),
        similarity=similarity,
        apart=apart,
    )


def test_only_sources_that_stand_apart_are_asked():
    """Where none does, hits say what they say: nothing is asked of frames, and nothing breaks."""
    assert _noise_strokes((source(apart=True, similarity=0.0),), 2).all()
    assert not _noise_strokes((source(apart=True, similarity=1.0),), 2).any()
    assert not _noise_strokes((source(apart=False, similarity=0.0),), 2).any()
    assert not _noise_strokes((), 2).any()
