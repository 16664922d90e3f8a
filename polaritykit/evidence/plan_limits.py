"""A mic plan's possible offsets laid on the evidence: what sound in air cannot do is not believed.

Conventions: limits are (low, high) in ms for the second name against the first, positive when it is late.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from polaritykit.base.types import read_only
from polaritykit.evidence.source import SourceEvidence

OffsetLimits = Mapping[tuple[str, str], tuple[float, float]]


@dataclass(frozen=True, kw_only=True)
class BeyondPlan:
    """A track most of whose offsets are larger than the plan allows."""

    track: str
    dropped: int
    measured: int


@dataclass(frozen=True, kw_only=True)
class Limited:
    """Evidence without what is impossible, and whose most of it was."""

    evidence: tuple[SourceEvidence, ...]
    beyond: tuple[BeyondPlan, ...]


def limit_evidence(
    evidence: tuple[SourceEvidence, ...],
    names: tuple[str, ...],
    limits: OffsetLimits,
    latency_ms: float,
) -> Limited:
    """Take back what the evidence says of pairs whose offset lies outside the possible.

    Parameters
    ----------
    evidence : tuple of SourceEvidence
    names : tuple of str
        Tracks in session order.
    limits : mapping of (name, name) to (low, high)
        Possible offsets in ms, as from `layout.possible_offsets`; pairs that are not in it are not limited.
    latency_ms : float
        By how much an offset may be larger than that.

    Returns
    -------
    Limited
    """
    n = len(names)
    low, high = np.full((n, n), -np.inf), np.full((n, n), np.inf)
    for (first, second), (least, most) in limits.items():
        if first in names and second in names:
            a, b = names.index(first), names.index(second)
            low[a, b], high[a, b] = least - latency_ms, most + latency_ms
            low[b, a], high[b, a] = -high[a, b], -low[a, b]
    out, kept, dropped = [], np.zeros(n), np.zeros(n)
    for item in evidence:
        offset_ms = item.offset_s * 1e3
        said = item.known | (item.log_odds != 0.0)
        impossible = said & ((offset_ms < low) | (offset_ms > high))
        limited = said & np.isfinite(high)
        dropped += impossible.sum(axis=0)
        kept += (limited & ~impossible).sum(axis=0)
        out.append(
            replace(
                item,
                known=item.known & ~impossible,
                log_odds=read_only(np.where(impossible, 0.0, item.log_odds)),
            )
            if impossible.any()
            else item
        )
    beyond = tuple(
        BeyondPlan(track=name, dropped=int(dropped[track]), measured=int(dropped[track] + kept[track]))
        for track, name in enumerate(names)
        if dropped[track] > kept[track]
    )
    return Limited(evidence=tuple(out), beyond=beyond)
