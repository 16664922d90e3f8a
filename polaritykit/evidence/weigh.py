"""What sources say beside one another: louder ones hide a first motion, the lowest drum has two signs.

Conventions: as in `polaritykit.evidence.source`.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import read_only
from polaritykit.evidence.source import SourceEvidence
from polaritykit.struck.sources import NOT_HEARD_DB

#: A source this far below the loudest one of a track (dB) says all it knows of that track ...
_SHARE_FULL_DB = -22.0
#: ... and one this far below nothing: the louder sources' sound covers its first motion.
_SHARE_NONE_DB = -38.0
#: The lowest drum of several sources, where its low band (60 to 250 Hz) dominates by this much, has only
#: this part of its say: not enough to decide a pair alone.  Sources this near to it count as low too
#: (the figure of one drum scatters by some dB from cluster to cluster).
_LOW_DRUM_DB = 6.0
_LOW_DRUM_WORTH = 0.6
_AS_LOW_DB = 6.0
#: A pair of which no source says this much, nor an offset, is open to the test of the whole take (one in four
#: signs of that size is wrong).
_OPEN_LOG_ODDS = 1.0
#: An offset of a source that stands in fewer groupings than this leaves it open too.
_OPEN_SHARE = 0.5


def weighed(evidence: tuple[SourceEvidence, ...]) -> tuple[SourceEvidence, ...]:
    """Take back what a source says of tracks in which others are much louder, and of the lowest drum.

    A bass drum is heard with opposite signs on its two sides (measured on two kits), so beside other
    sources it needs one of them to agree.  Levels are known only once all sources are: a step of its own.
    """
    hits = [item for item in evidence if item.kind == "hits"]
    if not hits:
        return evidence
    top = np.max([item.weighed_db for item in hits], axis=0)

    def worth(item: SourceEvidence) -> float:
        lowness = item.lowness_db or 0.0
        beside = [other.lowness_db or 0.0 for other in hits if _heard_together(item, other)]
        lowest = max(beside)
        low = lowness >= _LOW_DRUM_DB and lowness >= lowest - _AS_LOW_DB
        return _LOW_DRUM_WORTH if low and min(beside) < lowest - _AS_LOW_DB else 1.0

    def with_weight(item: SourceEvidence) -> SourceEvidence:
        share = (item.weighed_db - top - _SHARE_NONE_DB) / (_SHARE_FULL_DB - _SHARE_NONE_DB)
        weight = np.clip(share, 0.0, 1.0)
        return replace(
            item,
            log_odds=read_only(worth(item) * item.log_odds * np.minimum(weight[:, None], weight[None, :])),
        )

    return tuple(with_weight(item) if item.kind == "hits" else item for item in evidence)


def _heard_together(one: SourceEvidence, other: SourceEvidence) -> bool:
    """Whether a source is heard where another is at home: a loop says nothing of a kit's lowest drum."""
    return bool(one.level_db[other.home] > NOT_HEARD_DB or other.level_db[one.home] > NOT_HEARD_DB)


def open_pairs(evidence: Sequence[SourceEvidence], usable: Sequence[bool]) -> NDArray[np.bool_]:
    """Pairs of usable tracks of which no source tells an offset, nor a sign with these log-odds.

    What is only hum, or came by wire, has been told and is not open.

    Parameters
    ----------
    evidence : sequence of SourceEvidence
    usable : sequence of bool

    Returns
    -------
    ndarray of bool, shape (n_tracks, n_tracks)
    """
    n = len(usable)
    still = np.outer(usable, usable) & ~np.eye(n, dtype=bool)
    for item in evidence:
        still &= ~(item.known & (item.share >= _OPEN_SHARE))
        still &= item.share * np.abs(item.log_odds) < _OPEN_LOG_ODDS
        told = [track for track, why in enumerate(item.obstacle) if why in ("mains", "crosstalk")]
        if item.kind == "continuous":
            still[item.home, told] = still[told, item.home] = False
    return still
