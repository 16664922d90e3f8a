"""The sum of all tracks before and after the corrections, and which source is brought together where.

Conventions: levels in dB against the power sum of all tracks (0 dB: nothing adds or cancels; +10·log₁₀ n: n
equal tracks agree); the gain of every track is 1.  A delay d turns a track by e^(−j2πfd).
"""

from collections.abc import Sequence

import numpy as np

from polaritykit.base.octaves import OCTAVES_HZ, octave_bins
from polaritykit.decide.findings import Apart, Corrections, KitSum, ServedSource, SourceFinding
from polaritykit.spectra.pool import Spectra
from polaritykit.spectra.settings import KitSumSettings

_DEFAULTS = KitSumSettings()


def octave_sums(
    spectra: Spectra,
    inverts: Sequence[bool],
    delays_ms: Sequence[float],
    settings: KitSumSettings = _DEFAULTS,
) -> KitSum:
    """Level of the sum of all tracks per octave, as recorded and corrected.

    Parameters
    ----------
    spectra : Spectra
        Of all tracks, as recorded.
    inverts : sequence of bool
        Whether each track is flipped.
    delays_ms : sequence of float
        Delay given to each track.

    Returns
    -------
    KitSum
        Octaves the spectra reach and whose power sum is within `range_db` of the loudest one.
    """
    plain = np.ones(len(spectra.power), np.complex128)
    signs = np.where(inverts, -1.0, 1.0)
    power = spectra.power.sum(axis=0)
    before = np.einsum("kab,a,b->k", spectra.matrix, plain, plain, optimize=True).real
    turns = signs * np.exp(-2j * np.pi * spectra.frequency_hz[:, None] * (np.asarray(delays_ms) * 1e-3))
    after = np.einsum("ka,kab,kb->k", turns.conj(), spectra.matrix, turns, optimize=True).real
    rows = []
    for centre in OCTAVES_HZ:
        inside = octave_bins(spectra.frequency_hz, centre)
        rows.append([float(np.sum(values[inside])) for values in (power, before, after)])
    totals = np.array(rows)
    heard = totals[:, 0] > totals[:, 0].max(initial=0.0) * 10.0 ** (-settings.range_db / 10.0)
    floor = 10.0 ** (settings.floor_db / 10.0)
    ratios = 10.0 * np.log10(np.maximum(totals[heard, 1:] / totals[heard, :1], floor))
    return KitSum(
        centre_hz=tuple(centre for centre, kept in zip(OCTAVES_HZ, heard, strict=True) if kept),
        before_db=tuple(float(value) for value in ratios[:, 0]),
        after_db=tuple(float(value) for value in ratios[:, 1]),
    )


def served_sources(
    sources: tuple[SourceFinding, ...],
    corrections: Corrections,
    linked: tuple[tuple[str, str], ...],
    settings: KitSumSettings = _DEFAULTS,
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
            if abs(residual) <= settings.together_ms:
                together.append(arrival.track)
            elif arrival.level_db >= loudest[arrival.track] - settings.well_heard_db:
                apart.append(Apart(track=arrival.track, residual_ms=residual))
        found.append(ServedSource(home=source.home, together=tuple(together), apart=tuple(apart)))
    return tuple(found)
