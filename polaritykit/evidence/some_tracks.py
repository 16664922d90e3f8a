"""A struck source of a session of very many tracks, looked for in some of them and told of all.

Conventions: as in `polaritykit.evidence.source`.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, read_only
from polaritykit.evidence.source import SourceEvidence
from polaritykit.struck.sources import HitSource


@dataclass(frozen=True, kw_only=True)
class Here:
    """A source as the tracks know it in which it is looked for."""

    source: HitSource
    #: Tracks of them in which no other source is much louder.
    well_heard: NDArray[np.bool_]

    @classmethod
    def of(cls, source: HitSource, well_heard: NDArray[np.bool_]) -> "Here":
        """Leave the other tracks out."""
        if source.heard_in is None:
            return cls(source=source, well_heard=well_heard)
        tracks = list(source.heard_in)
        here = replace(source, level_db=source.level_db[tracks], home=tracks.index(source.home))
        return cls(source=here, well_heard=well_heard[tracks])


def among_all(item: SourceEvidence, source: HitSource) -> SourceEvidence:
    """Tell of all tracks what was read in some; of the others nothing is said.

    Parameters
    ----------
    item : SourceEvidence
        Of the tracks in which the source was looked for.
    source : HitSource
        Of all tracks.

    Returns
    -------
    SourceEvidence
    """
    if source.heard_in is None:
        return item
    n, tracks = len(source.level_db), list(source.heard_in)

    def pairs(found: Floats) -> Floats:
        full = np.zeros((n, n))
        full[np.ix_(tracks, tracks)] = found
        return read_only(full)

    def which(found: NDArray[np.bool_]) -> NDArray[np.bool_]:
        full = np.zeros((n, n), np.bool_)
        full[np.ix_(tracks, tracks)] = found
        return full

    def hits(found: Floats) -> Floats:
        full = np.zeros((len(found), n))
        full[:, tracks] = found
        return read_only(full)

    words = dict(zip(tracks, item.obstacle, strict=True))
    direct, lags = item.direct, item.hit_lags
    if direct is not None:
        direct = replace(
            direct,
            offset_s=pairs(direct.offset_s),
            std_s=pairs(direct.std_s),
            agreed=pairs(direct.agreed),
            sign=pairs(direct.sign),
            longer=pairs(direct.longer),
        )
    if lags is not None:
        lags = replace(lags, lag_s=hits(lags.lag_s), sign=hits(lags.sign), similarity=hits(lags.similarity))
    return replace(
        item,
        home=source.home,
        offset_s=pairs(item.offset_s),
        std_s=pairs(item.std_s),
        known=which(item.known),
        log_odds=pairs(item.log_odds),
        level_db=source.level_db,
        obstacle=tuple(words.get(track, "noise") for track in range(n)),
        direct=direct,
        moved=None if item.moved is None else which(item.moved),
        by_correlation=None if item.by_correlation is None else which(item.by_correlation),
        hit_lags=lags,
    )
