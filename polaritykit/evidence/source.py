"""What one source says of every pair, from whatever reading: signed evidence and offsets.

Conventions
-----------
arrays
    ``(n_tracks, n_tracks)``, [a, b]; ``offset_s`` is antisymmetric, positive when b hears the source later.
log-odds
    positive says the two tracks hear the source with the same polarity.
"""

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, read_only
from polaritykit.changes.hit_lags import HitLags
from polaritykit.struck.direct_correlation import DirectTimes

if TYPE_CHECKING:
    from polaritykit.changes.frame_lags import PairLags

#: Whence evidence comes; a document tells it by this name.
Kind = Literal["hits", "continuous"]
#: One edge has no more than this to say; below the log-odds of a witness, so that one edge is never all.
EDGE_CAP = 2.4


@dataclass(frozen=True, kw_only=True)
class SourceEvidence:
    """What one source says of every pair."""

    kind: Kind
    home: int
    #: Hits or frames used, and the hits found.
    n_used: int
    n_found: int
    #: Start of each hit or frame used, samples.
    at_samples: NDArray[np.int64]
    offset_s: Floats
    std_s: Floats
    #: Whether the offset of the pair is known.
    known: NDArray[np.bool_]
    log_odds: Floats
    #: Level at which each track hears the source, dB, shape (n_tracks,).
    level_db: Floats
    #: Why a track has no clear arrival: ``noise``, ``edge``, ``scatter``, ``narrow``, ``mixed``, ``mains``,
    #: ``crosstalk`` or empty; one word per track.
    obstacle: tuple[str, ...]
    #: Level of its lowest band over the next, dB; None for sustained sound.
    lowness_db: float | None = None
    #: Offsets by the correlation of the direct sound; None for sustained sound.
    direct: DirectTimes | None = None
    #: Log-odds that an offset in frames is the direct sound's, not a reflection's; None for all else.
    right: Floats | None = None
    #: Pairs in which that correlation was believed against a first arrival; None for sustained sound.
    moved: NDArray[np.bool_] | None = None
    #: Pairs whose sign is that of this correlation, not one read at first arrivals; None for sustained sound.
    by_correlation: NDArray[np.bool_] | None = None
    #: Correlation of a typical stroke with the next ones at home, or where it is larger, 0 to 1; None for
    #: sustained sound.
    similarity: float | None = None
    #: How the hits run over the take; None for sustained sound.
    hit_lags: HitLags | None = None
    #: Part of the plausible groupings of strokes in which this is a source, of 0 to 1; all for frames.
    cuts: tuple[float, float] = (0.0, 1.0)
    #: Shares no stroke with another source that is ``apart``; others are opinions on sign and offset only.
    apart: bool = True
    #: How the pairs run over the frames of sustained sound.
    pair_lags: "tuple[PairLags, ...]" = ()

    def __getstate__(self) -> dict[str, Any]:
        """Go from one process to another without the matrices that all share who say nothing of any pair."""
        silent = _silent(len(self.level_db))
        return {name: value for name, value in vars(self).items() if value is not silent.get(name)}

    def __setstate__(self, state: dict[str, Any]) -> None:
        """Share them again."""
        vars(self).update(_silent(len(state["level_db"])) | state)

    @property
    def share(self) -> float:
        """Share of the plausible groupings in which this is a source."""
        return self.cuts[1] - self.cuts[0]

    @cached_property
    def weighed_db(self) -> Floats:
        """Mean level over the groupings, dB, shape (n_tracks,)."""
        return np.asarray(self.level_db + 10 * np.log10(max(self.share, 1e-3)))


def as_recorded(item: SourceEvidence, late_samples: NDArray[np.int64], sample_rate_hz: int) -> SourceEvidence:
    """Tell of the tracks as they are what was read with each earlier by some samples.

    Parameters
    ----------
    item : SourceEvidence
        Of struck sound.
    late_samples : ndarray of int, shape (n_tracks,)
        By how much later each track was read.
    sample_rate_hz : int
    """
    more = (late_samples[None, :] - late_samples[:, None]) / sample_rate_hz
    direct = item.direct and replace(item.direct, offset_s=read_only(item.direct.offset_s + more))
    return replace(
        item,
        offset_s=read_only(item.offset_s + more),
        at_samples=item.at_samples + late_samples[item.home],
        direct=direct,
    )


Matrices = tuple[Floats, Floats, Floats, NDArray[np.bool_]]


def empty_matrices(n_tracks: int) -> Matrices:
    """Offsets, their spreads, log-odds and what is known, before anything is."""
    shape = n_tracks, n_tracks
    return np.zeros(shape), np.zeros(shape), np.zeros(shape), np.zeros(shape, dtype=bool)


@lru_cache(maxsize=1)
def silent_matrices(n_tracks: int) -> Matrices:
    """Return the same for all sources that say nothing of any pair: most tracks of a large session."""
    offset, std, odds, known = empty_matrices(n_tracks)
    known.setflags(write=False)
    return read_only(offset), read_only(std), read_only(odds), known


def _silent(n_tracks: int) -> dict[str, Any]:
    offset, std, odds, known = silent_matrices(n_tracks)
    return {"offset_s": offset, "right": offset, "std_s": std, "log_odds": odds, "known": known}
