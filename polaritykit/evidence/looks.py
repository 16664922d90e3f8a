"""Files that do not cover the same time: what is looked at together, and what each look tells put together.

A look takes a part of the recording and the tracks whose files cover it.  The first look takes the longest
part; pairs of files that share less are looked at over what they share, so that neither silence outside a
file dilutes an answer, nor a short file takes from the others.

Conventions: as in `polaritykit.evidence.source`; spans as in `polaritykit.base.spans`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.spans import Span, common_span
from polaritykit.base.types import Floats, read_only
from polaritykit.evidence.source import SourceEvidence

#: A pair is looked at in a part that leaves out less than this share of what it shares.
_LITTLE = 0.05
#: So many looks at most, the last over what all share: every file of a session may end elsewhere.
_MOST_LOOKS = 4
#: Less than this tells nothing.
_LEAST_S = 1.0
#: Two looks find one stroke this near.
_SAME_STROKE_S = 0.02


@dataclass(frozen=True, kw_only=True)
class Look:
    """A part of the recording and what is read in it."""

    span: Span
    #: Tracks whose files cover it, shape (n_tracks,).
    tracks: NDArray[np.bool_]
    #: Pairs that this look answers for, symmetric, shape (n_tracks, n_tracks).
    pairs: NDArray[np.bool_]


def looks_of(spans: Sequence[Span], sample_rate_hz: int) -> tuple[Look, ...]:
    """Choose what to look at.

    Parameters
    ----------
    spans : sequence of (int, int)
        Of each track.
    sample_rate_hz : int

    Returns
    -------
    tuple of Look
        The longest part first; one, of all pairs, where all files cover the same time.
    """
    n = len(spans)
    parts: list[Span] = []
    of_pair: dict[Span, int | None] = {}
    shared = {pair: common_span([spans[pair[0]], spans[pair[1]]]) for pair in combinations(range(n), 2)}
    wanted = sorted(set(shared.values()), key=lambda span: (span[0] - span[1], span))
    for span in wanted:
        fits = (k for k, part in enumerate(parts) if _nearly(span, part))
        of_pair[span] = next(fits, None)
        long = span[1] - span[0] >= _LEAST_S * sample_rate_hz
        if of_pair[span] is None and len(parts) < _MOST_LOOKS and long:
            of_pair[span] = len(parts)
            # The last one is for all that is left.
            last = len(parts) == _MOST_LOOKS - 1
            parts.append(common_span(spans) if last else _shared_by_alike(span, wanted))
    looks = []
    for number, part in enumerate(parts):
        pairs = np.zeros((n, n), dtype=bool)
        for (a, b), span in shared.items():
            last = of_pair[span] is None and number == _MOST_LOOKS - 1
            pairs[a, b] = pairs[b, a] = of_pair[span] == number or last
        tracks = np.array([first <= part[0] and part[1] <= stop for first, stop in spans])
        looks.append(Look(span=part, tracks=tracks, pairs=pairs & np.outer(tracks, tracks)))
    return tuple(looks)


def _nearly(span: Span, part: Span) -> bool:
    """Whether a part lies within a span and is nearly all of it."""
    inside = span[0] <= part[0] and part[1] <= span[1]
    return inside and part[1] - part[0] >= (1.0 - _LITTLE) * (span[1] - span[0])


def _shared_by_alike(span: Span, others: Sequence[Span]) -> Span:
    """Part of a span that the others which are nearly the same share with it."""
    part = span
    for other in others:
        joint = common_span([part, other])
        if _nearly(span, joint) and _nearly(other, joint):
            part = joint
    return part


def within(levels_db: Floats, look: Look, frame_samples: int) -> Floats:
    """Levels of frames, as if nobody had listened outside a look.

    Parameters
    ----------
    levels_db : ndarray, shape (n_frames, n_tracks)
    look : Look
    frame_samples : int
    """
    first = np.arange(len(levels_db)) * frame_samples
    inside = (first >= look.span[0]) & (first + frame_samples <= look.span[1])
    return np.where(inside[:, None], levels_db, -np.inf)


def together(
    told: Sequence[tuple[SourceEvidence, ...]], looks: Sequence[Look], sample_rate_hz: int
) -> tuple[SourceEvidence, ...]:
    """Put the evidence of all looks together; each answers for its own pairs.

    Parameters
    ----------
    told : sequence of tuple of SourceEvidence
        Of each look.
    looks : sequence of Look
    sample_rate_hz : int

    Returns
    -------
    tuple of SourceEvidence
        A source that two looks found by the same strokes (or frames of the same home) stands once.
    """
    result = [_only(item, looks[0]) for item in told[0]]
    for items, look in zip(told[1:], looks[1:], strict=True):
        joined: set[int] = set()
        for item in items:
            if not (item.known & look.pairs).any() and not (item.log_odds[look.pairs]).any():
                continue
            same = [_in_common(item, other, sample_rate_hz) for other in result]
            best = int(np.argmax(same)) if same else -1
            if best < 0 or not same[best] or best in joined:
                result.append(_only(item, look))
                continue
            joined.add(best)
            result[best] = _joined(result[best], item, look)
    return tuple(result)


def _only(item: SourceEvidence, look: Look) -> SourceEvidence:
    """Keep what a source says of a look's pairs."""
    return _masked(item, item, look.pairs, keep=False)


def _in_common(item: SourceEvidence, other: SourceEvidence, rate_hz: int) -> float:
    """Share of a source's strokes that another one has, weighed by how alike their groupings are."""
    if (item.kind, item.home) != (other.kind, other.home):
        return 0.0
    if item.kind != "hits":
        return 1.0
    if not len(item.at_samples) or not len(other.at_samples):
        return 0.0
    nearest = np.abs(item.at_samples[:, None] - other.at_samples[None, :]).min(axis=1)
    alike = min(item.cuts[1], other.cuts[1]) - max(item.cuts[0], other.cuts[0])
    return float(np.mean(nearest <= _SAME_STROKE_S * rate_hz)) * max(alike, 1e-3)


def _joined(item: SourceEvidence, more: SourceEvidence, look: Look) -> SourceEvidence:
    """Let a source say of a look's pairs what it says there; tracks new in them bring their levels."""
    result = _masked(item, more, look.pairs, keep=True)
    new = look.pairs.any(axis=0) & ~np.eye(len(look.pairs), dtype=bool)[item.home]
    new &= look.pairs[item.home] | ~np.isfinite(item.level_db)
    level = np.where(new, more.level_db + item.level_db[item.home] - more.level_db[item.home], item.level_db)
    words = zip(item.obstacle, more.obstacle, new.tolist(), strict=True)
    return replace(
        result,
        level_db=read_only(level),
        obstacle=tuple(there if is_new else here for here, there, is_new in words),
        pair_lags=(*item.pair_lags, *(lags for lags in more.pair_lags if look.pairs[lags.a, lags.b])),
    )


def _masked(
    item: SourceEvidence, more: SourceEvidence, pairs: NDArray[np.bool_], *, keep: bool
) -> SourceEvidence:
    """Take what is said of some pairs from one, and of the others from another, or nothing."""

    def of(here: Floats, there: Floats) -> Floats:
        return read_only(np.where(pairs, there, here if keep else 0.0))

    def whether(here: NDArray[np.bool_] | None, there: NDArray[np.bool_] | None) -> NDArray[np.bool_] | None:
        return here if here is None or there is None else np.where(pairs, there, here & keep)

    direct, right = item.direct, item.right
    if item.direct is not None and more.direct is not None:
        direct = replace(
            item.direct,
            offset_s=of(item.direct.offset_s, more.direct.offset_s),
            std_s=of(item.direct.std_s, more.direct.std_s),
            agreed=of(item.direct.agreed, more.direct.agreed),
            sign=of(item.direct.sign, more.direct.sign),
            longer=of(item.direct.longer, more.direct.longer),
        )
    if item.right is not None and more.right is not None:
        right = of(item.right, more.right)
    return replace(
        item,
        offset_s=of(item.offset_s, more.offset_s),
        std_s=of(item.std_s, more.std_s),
        known=np.where(pairs, more.known, item.known & keep),
        log_odds=of(item.log_odds, more.log_odds),
        direct=direct,
        right=right,
        moved=whether(item.moved, more.moved),
        by_correlation=whether(item.by_correlation, more.by_correlation),
    )
