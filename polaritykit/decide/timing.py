"""The offset of a pair: the reading of the source that brings most among those that are likely right.

Conventions: as in `polaritykit.evidence.source`.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats
from polaritykit.decide.findings import OffsetKind
from polaritykit.decide.pair_evidence import COVERED_DB, PairEvidence
from polaritykit.evidence.other_arrival import with_other
from polaritykit.evidence.source import EDGE_CAP, SourceEvidence
from polaritykit.struck.direct_correlation import SURELY_AGREED

#: Log-odds that a first arrival is the direct sound's: nearer than 0.3 ms to a source that sounds, else a
#: reflection or a stroke that falls together.  Of one whose picks scatter by 1 ms, for each tenth of that,
#: for each log-odds it has to say of the sign, and where the direct sound correlates there.  These and the
#: next were fitted by logistic regression on the development split (seeds 1 to 3 of the real kit's close,
#: far and few mics and of simulated kits, near and far; with twins) and rounded.
_ARRIVAL, _ARRIVAL_SHARP, _ARRIVAL_SAYS, _ARRIVAL_NEAR = 0.0, 1.3, 0.8, 2.5
#: The same of the correlation of the direct sound: where none of its readings agree and they scatter by 1 ms,
#: for all that agree, for each tenth in scatter; with a known first arrival there, or elsewhere, the more it
#: says.
_DIRECT, _DIRECT_AGREED, _DIRECT_SHARP, _DIRECT_NEAR = -1.2, 3.2, 1.0, 3.4
_DIRECT_AWAY, _DIRECT_AGAINST = -0.9, -1.3
#: Taken off where a drum an octave below `LOWEST_HZ` or lower is timed by correlation against its own mic:
#: that may face its other head, which moves up to two milliseconds apart (in one of three simulated kits).
_OTHER_SIDE = 2.0
#: The two readings of a source speak of one arrival within about so much (half a period at 1.7 kHz).
_SAME_MS = 0.3
#: Up to about so far apart one of the two is wrong by what they differ: another cycle at a drum's skin.
_EITHER_MS = 0.42
#: Spreads are told apart between a sample and a metre of path only.
_SCATTER_MS = 0.03, 1.0
#: Where a reading is of another arrival, that lies about so far off.
_OTHER_MS = 0.7
#: What moving radiation, a mic's size and the pick's own rule leave uncertain of a first motion that no
#: correlation confirms.  Where one does, how far the two lie apart tells it.
_ARRIVAL_MODEL_MS = 0.025
#: A reading that is one and a half times as likely to be wrong has to bring so many dB more to lead.
_DB_PER_LOG_ODDS = 4.0
#: No reading is surer than this; beyond, only what its source brings counts.
_SUREST = 4.0
#: Where the first arrival and the correlation speak of one arrival the first is nearer to it: the other is
#: taken where it stands alone.
_BEHIND_DB = 12.0
#: Offsets about so near are of one source.
_TOGETHER_MS = 0.1
#: An arrival is sharp where it is known to a tenth of the period of the lowest octave in which bleed combs,
#: of a low drum in proportion.
SHARP_S = 0.3e-3
#: One that is less likely right than this gives no offset.
_LEAST_RIGHT = 0.8


@dataclass(frozen=True, kw_only=True)
class Timed:
    """One source's offset of a pair and what it rests on."""

    source: SourceEvidence
    offset_s: float
    #: Spread of the reading, of the arrival it is taken for, where another one may count on top.
    spread_s: float
    #: None for sustained sound.
    kind: OffsetKind | None
    #: Log-odds that it is of the arrival it is taken for.
    right: float
    #: How far it stands back where the source's other reading speaks of the same arrival.
    behind_db: float = 0.0
    #: Whether the direct sound surely correlates there.
    correlates: bool = False

    @cached_property
    def std_s(self) -> float:
        """Half of what holds 95 % of the chance, another arrival's included; asked of few of all readings."""
        return self.spread_s if self.kind is None else with_other(self.spread_s, self.right, _OTHER_MS * 1e-3)


def by_arrival(source: SourceEvidence, a: int, b: int) -> Timed | None:
    """Offset of the first arrivals.

    Parameters
    ----------
    source : SourceEvidence
    a, b : int

    Returns
    -------
    Timed or None
        None where the source times the pair not at all.
    """
    if not source.known[a, b]:
        return None
    offset_s, std_s = float(source.offset_s[a, b]), float(source.std_s[a, b])
    if source.direct is None:
        right = math.inf if source.right is None else float(source.right[a, b])
        return Timed(source=source, offset_s=offset_s, spread_s=std_s, kind=None, right=right)
    moved = source.moved is not None and bool(source.moved[a, b])
    near = _near(source, a, b)
    right = (
        _ARRIVAL
        - _ARRIVAL_SHARP * _scatter(std_s)
        + _ARRIVAL_SAYS * _says(source, a, b)
        + _ARRIVAL_NEAR * near
    )
    return Timed(
        source=source,
        offset_s=offset_s,
        spread_s=_spread_s(source, a, b, math.hypot(std_s, _ARRIVAL_MODEL_MS * 1e-3)),
        kind="direct_correlation" if moved else "first_arrival",
        right=right,
        correlates=_surely(source, a, b) and near >= 0.5,
    )


def by_correlation(source: SourceEvidence, a: int, b: int) -> Timed | None:
    """Offset by the correlation of the direct sound; None for sustained sound.

    Parameters
    ----------
    source : SourceEvidence
    a, b : int
    """
    if source.direct is None:
        return None
    std_s = float(source.direct.std_s[a, b])
    right = _DIRECT + _DIRECT_AGREED * float(source.direct.agreed[a, b]) - _DIRECT_SHARP * _scatter(std_s)
    near = 0.0
    if source.known[a, b]:
        near = _near(source, a, b)
        against = _DIRECT_AWAY + _DIRECT_AGAINST * _says(source, a, b)
        right += _DIRECT_NEAR * near + against * (1.0 - near)
    if source.home in (a, b):
        right -= _OTHER_SIDE * min(float(source.direct.longer[a, b]), 1.0) * (1.0 - near)
    return Timed(
        source=source,
        offset_s=float(source.direct.offset_s[a, b]),
        spread_s=_spread_s(source, a, b, std_s),
        kind="direct_correlation",
        right=right,
        behind_db=_BEHIND_DB * near,
        correlates=_surely(source, a, b),
    )


def sharp_offsets(source: SourceEvidence) -> tuple[Floats, NDArray[np.bool_]]:
    """Offsets of all pairs by one source, and which of them are known well enough to set something by.

    The first arrivals' where these are sharp, else the correlation's of the direct sound where that is sure.

    Parameters
    ----------
    source : SourceEvidence

    Returns
    -------
    tuple of ndarray, shape (n_tracks, n_tracks)
    """
    known = source.known & (source.std_s <= SHARP_S)
    direct = source.direct
    if direct is None:
        return source.offset_s, known
    sure = sure_correlation(source) & ~known
    return np.where(sure, direct.offset_s, source.offset_s), known | sure


def sure_correlation(source: SourceEvidence) -> NDArray[np.bool_]:
    """Tell the pairs that the correlation of the direct sound surely times, shape (n_tracks, n_tracks).

    Parameters
    ----------
    source : SourceEvidence
    """
    direct = source.direct
    if direct is None:
        return np.zeros_like(source.known)
    sure = (direct.agreed >= SURELY_AGREED) & (direct.std_s <= SHARP_S * (1.0 + direct.longer))
    np.fill_diagonal(sure, val=False)
    return np.asarray(sure)


def leading(pair: PairEvidence) -> Timed | None:
    """Choose the offset of a pair among the readings of its struck sources.

    What a source brings and how likely its reading is right are weighed against each other without a limit at
    which one of them would decide alone: a delay that moves either a little then seldom changes of whom the
    offset speaks.

    Parameters
    ----------
    pair : PairEvidence

    Returns
    -------
    Timed or None
        None where no reading of a source that counts is likely enough.
    """
    a, b = pair.a, pair.b
    least_db = max(map(pair.brings_db, pair.struck), default=-math.inf) - COVERED_DB
    read = [by(item, a, b) for item in pair.struck if pair.brings_db(item) >= least_db for by in _READINGS]
    likely = [one for one in read if one is not None and one.right >= _log_odds(_LEAST_RIGHT)]
    if not likely:
        return None
    # Groupings of the same strokes are sources of one offset: what they bring there counts together.
    brings_db = np.array([_weight_db(pair, one) for one in likely])
    offset_s = np.array([one.offset_s for one in likely])
    together = np.exp(-0.5 * ((offset_s[:, None] - offset_s) / (_TOGETHER_MS * 1e-3)) ** 2)
    best = np.argmax(together @ 10 ** (brings_db / 10))
    return likely[int(np.argmax(brings_db + 10 * np.log10(np.maximum(together[best], 1e-9))))]


def leading_sustained(pair: PairEvidence) -> Timed | None:
    """Choose the offset of a pair among its sources of sustained sound.

    Parameters
    ----------
    pair : PairEvidence

    Returns
    -------
    Timed or None
        None where none times the pair.
    """
    read = [by_arrival(item, pair.a, pair.b) for item in pair.ranked if item.kind == "continuous"]
    known = [one for one in read if one is not None]
    return max(known, key=lambda one: _weight_db(pair, one), default=None)


def sharper(struck: Timed | None, sustained: Timed | None) -> Timed | None:
    """Take the reading in frames where it is of the arrival that the strokes tell, and known better.

    Strokes of which none is like another (a shaker, brushes) are timed by what they share in frames.

    Parameters
    ----------
    struck, sustained : Timed or None

    Returns
    -------
    Timed or None
        The struck one, or none, where they do not say the same.
    """
    if struck is None or sustained is None or sustained.std_s >= struck.std_s:
        return struck
    apart_s = abs(struck.offset_s - sustained.offset_s)
    return sustained if apart_s <= 2.0 * math.hypot(struck.std_s, sustained.std_s) else struck


def _weight_db(pair: PairEvidence, one: Timed) -> float:
    """Weigh a reading by what its source brings and how sure it is."""
    sure = -math.log(math.exp(-one.right) + math.exp(-_SUREST))
    return pair.brings_db(one.source) + _DB_PER_LOG_ODDS * sure - one.behind_db


_READINGS = by_arrival, by_correlation


def _log_odds(probability: float) -> float:
    return math.log(probability / (1.0 - probability))


def _scatter(std_s: float) -> float:
    """Decades of a millisecond."""
    return math.log10(min(max(std_s * 1e3, _SCATTER_MS[0]), _SCATTER_MS[1]))


def _says(source: SourceEvidence, a: int, b: int) -> float:
    """How much the sign read at the first arrivals says for them."""
    if source.by_correlation is not None and source.by_correlation[a, b]:
        return 0.0
    return min(abs(float(source.log_odds[a, b])), EDGE_CAP)


def _surely(source: SourceEvidence, a: int, b: int) -> bool:
    return source.direct is not None and bool(source.direct.agreed[a, b] >= SURELY_AGREED)


def _near(source: SourceEvidence, a: int, b: int) -> float:
    """Whether both readings of a source speak of one arrival, 0 to 1."""
    if source.direct is None:
        return 0.0
    apart_ms = 1e3 * float(source.offset_s[a, b] - source.direct.offset_s[a, b])
    return 1.0 / (1.0 + (apart_ms / _SAME_MS) ** 4)


def _spread_s(source: SourceEvidence, a: int, b: int, alone_s: float) -> float:
    """Spread of a reading: its own where it stands alone, else how far all readings of the arrival lie apart.

    These are a first arrival and correlations in several bands, gates and halves of the strokes.
    """
    if source.direct is None or not source.known[a, b]:
        return alone_s
    apart_s = float(source.offset_s[a, b] - source.direct.offset_s[a, b])
    near = 1.0 / (1.0 + (1e3 * apart_s / _EITHER_MS) ** 4)
    # What they differ by is the error of either.
    together_s = math.hypot(apart_s, float(source.direct.std_s[a, b])) / math.sqrt(2.0)
    return math.sqrt(near * together_s**2 + (1.0 - near) * alone_s**2)
