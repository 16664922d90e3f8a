"""The sum of all tracks before and after the corrections, and which source is brought together where.

Conventions: levels in dB against the power sum of all tracks (0 dB: nothing adds or cancels; +10·log₁₀ n: n
equal tracks agree); the gain of every track is 1.  A delay d turns a track by e^(−j2πfd).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from polaritykit.base.octaves import OCTAVES_HZ, octave_bins
from polaritykit.base.turns import turns
from polaritykit.spectra.pair_sum import FLOOR_DB
from polaritykit.spectra.pool import Spectra

#: Octaves further below the loudest one are not shown: nobody hears them in the sum.
_RANGE_DB = 40.0


@dataclass(frozen=True, kw_only=True)
class KitSum:
    """Level of the sum of all tracks per octave, dB against their power sum."""

    centre_hz: tuple[float, ...]
    before_db: tuple[float, ...]
    #: With the corrections.
    after_db: tuple[float, ...]


def octave_sums(
    spectra: Spectra,
    inverts: Sequence[bool],
    delays_ms: Sequence[float],
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
        Octaves the spectra reach and whose power sum is within 40 dB of the loudest one.
    """
    power = spectra.power.sum(axis=0)
    after = before = spectra.matrix.real.sum(axis=(1, 2))
    if any(inverts) or any(delays_ms):
        signs = np.where(inverts, -1.0, 1.0)
        turned = signs * turns(spectra.frequency_hz, np.asarray(delays_ms) * 1e-3).T
        after = np.sum(turned.conj() * np.einsum("kab,kb->ka", spectra.matrix, turned), axis=1).real
    rows = []
    for centre in OCTAVES_HZ:
        inside = octave_bins(spectra.frequency_hz, centre)
        rows.append([float(np.sum(values[inside])) for values in (power, before, after)])
    totals = np.array(rows)
    heard = totals[:, 0] > totals[:, 0].max(initial=0.0) * 10.0 ** (-_RANGE_DB / 10.0)
    floor = 10.0 ** (FLOOR_DB / 10.0)
    ratios = 10.0 * np.log10(np.maximum(totals[heard, 1:] / totals[heard, :1], floor))
    return KitSum(
        centre_hz=tuple(centre for centre, kept in zip(OCTAVES_HZ, heard, strict=True) if kept),
        before_db=tuple(float(value) for value in ratios[:, 0]),
        after_db=tuple(float(value) for value in ratios[:, 1]),
    )
