"""The offset of a pair: by one source's first arrivals, or by the correlation of its direct sound.

Conventions: as in `polaritykit.evidence.source`.
"""

from dataclasses import dataclass

import numpy as np

from polaritykit.decide.findings import OffsetKind
from polaritykit.decide.pair_evidence import COVERED_DB, PairEvidence
from polaritykit.evidence.source import SourceEvidence

#: The correlation of the direct sound gives an offset where this share of its readings agree: all but two of
#: seven ...
_AGREED = 0.7
#: ... and is preferred to the first arrival of another source where its own brings this much more (half the
#: power does not lead) and all but one agree.
_LEADS_DB, _SURELY_AGREED = 3.0, 0.85
#: A first arrival that the direct sound's readings leave open is uncertain by this much (half a period at
#: 1.7 kHz, as near as readings have to come to agree).
_OPEN_STD_MS = 0.3


@dataclass(frozen=True, kw_only=True)
class Timed:
    """One source's offset of a pair and what it rests on."""

    source: SourceEvidence
    offset_s: float
    std_s: float
    #: None for sustained sound.
    kind: OffsetKind | None


def by_arrival(source: SourceEvidence, a: int, b: int) -> Timed | None:
    """Offset of the first arrivals, its spread widened by what the direct sound's correlation says.

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
        return Timed(source=source, offset_s=offset_s, std_s=std_s, kind=None)
    moved = source.moved is not None and bool(source.moved[a, b])
    apart_s = abs(offset_s - float(source.direct.offset_s[a, b]))
    supported = source.direct.agreed[a, b] >= _AGREED and apart_s * 1e3 <= _OPEN_STD_MS
    return Timed(
        source=source,
        offset_s=offset_s,
        std_s=float(np.hypot(std_s, 0.5 * apart_s if supported else _OPEN_STD_MS * 1e-3)),
        kind="direct_correlation" if moved else "first_arrival",
    )


def by_correlation(pair: PairEvidence, *, instead_of: SourceEvidence | None) -> Timed | None:
    """Offset of the loudest struck source whose direct sound correlates at one lag, if it is loud enough.

    Against a source with a clear first arrival it has to lead, and to be sure; sustained sound, which no
    stroke repeats, it leaves alone.
    """
    if instead_of is not None and instead_of.kind == "continuous":
        return None
    a, b = pair.a, pair.b
    struck = pair.evidence.struck
    least_db = max(map(pair.brings_db, struck), default=-np.inf) - COVERED_DB
    agreed = _AGREED
    if instead_of is not None:
        least_db = pair.brings_db(instead_of) + _LEADS_DB
        agreed = _SURELY_AGREED
    found = [
        (item, item.direct)
        for item in struck
        if item.direct is not None and item.direct.agreed[a, b] >= agreed and pair.brings_db(item) >= least_db
    ]
    if not found:
        return None
    item, direct = max(found, key=lambda one: pair.brings_db(one[0]))
    return Timed(
        source=item,
        offset_s=float(direct.offset_s[a, b]),
        std_s=float(direct.std_s[a, b]),
        kind="direct_correlation",
    )
