"""In which tracks the settings bring each source together with the anchor, and where not.

Conventions: as in `polaritykit.decide.findings`.
"""

import numpy as np

from polaritykit.base.hearing import WELL_HEARD_DB
from polaritykit.decide.findings import Apart, Corrections, ServedSource, SourceFinding

#: Two arrivals of one source this close are together: half a period at 2 kHz, above which combs of
#: bleed lie too close to be heard one by one.
_TOGETHER_MS = 0.25


def served_sources(
    sources: tuple[SourceFinding, ...],
    corrections: Corrections,
    linked: tuple[tuple[str, str], ...],
) -> tuple[ServedSource, ...]:
    """Say for each source in which tracks the delays bring it together with the anchor, and where not.

    Parameters
    ----------
    sources : tuple of SourceFinding
    corrections : Corrections
    linked : pairs of names
        The anchor's partner keeps its distance to it and is not judged, nor are tracks that keep their
        lateness (rooms).

    Returns
    -------
    tuple of ServedSource
        Sources the anchor hears at a steady time; nothing without an anchor.
    """
    anchor = corrections.anchor
    if anchor is None:
        return ()
    delays = {track.name: track.delay_ms for track in corrections.tracks}
    kept = {name for pair in linked if anchor in pair for name in pair} | {anchor}
    kept |= {track.name for track in corrections.tracks if track.late_ms is None}
    loudest: dict[str, float] = {}
    for source in sources:
        for arrival in source.arrivals:
            loudest[arrival.track] = max(loudest.get(arrival.track, -np.inf), arrival.level_db)
    found = []
    for source in sources:
        offsets = {arrival.track: arrival.offset_ms for arrival in source.arrivals}
        at_anchor = offsets.get(anchor)
        if at_anchor is None:
            continue
        together, apart = [], []
        for arrival in source.arrivals:
            if arrival.offset_ms is None or arrival.track in kept:
                continue
            residual = arrival.offset_ms + delays[arrival.track] - at_anchor - delays[anchor]
            if abs(residual) <= _TOGETHER_MS:
                together.append(arrival.track)
            elif arrival.level_db >= loudest[arrival.track] - WELL_HEARD_DB:
                apart.append(Apart(track=arrival.track, residual_ms=residual))
        found.append(ServedSource(home=source.home, together=tuple(together), apart=tuple(apart)))
    return tuple(found)
