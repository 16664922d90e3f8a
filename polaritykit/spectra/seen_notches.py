"""Notches that a source's delay predicts, where the measured sum has them.

A comb is exact for one sound and its copy.  In a session other sources, reflections and unlike responses fill
its notches, and a mark where the curve shows none would be read as a fault of one of the two.  The measured
cross-spectrum, turned back by the source's offset, says how much of the sum follows the prediction.

Conventions: frequencies in Hz; an offset is positive when *b* is late.
"""

from dataclasses import dataclass

import numpy as np

from polaritykit.base.hearing import HEARING_HZ
from polaritykit.base.turns import turns
from polaritykit.base.types import Floats
from polaritykit.spectra.comb import notches_hz
from polaritykit.spectra.pair_sum import run_sums
from polaritykit.spectra.records import PairSpectra

#: Share of the power that follows the prediction from which a notch is told: the sum is then at −3 dB.
_TOLD = 0.5
_LOWEST_HZ, _HIGHEST_HZ = HEARING_HZ


@dataclass(frozen=True, kw_only=True)
class SourceNotches:
    """What one source's delay does to the sum as recorded, as far as the sum shows it."""

    notches_hz: tuple[float, ...]
    #: Inverted pairs: below this the sum cancels (first null at 0 Hz); None where it does not.
    low_end_hz: float | None


def seen_notches(
    spectra: PairSpectra, *, offset_ms: float | None, inverted: bool, most: int = 12
) -> SourceNotches:
    """Find the predicted notches that the measured sum agrees with.

    Parameters
    ----------
    spectra : PairSpectra
        As recorded.
    offset_ms : float or None
        Of the source.
    inverted : bool
        Its polarity.
    most : int
        Further ones lie too close to be told apart.

    Returns
    -------
    SourceNotches
        A notch of the closed form is kept when, between the neighbouring peaks and within a third of an
        octave, the sum that the prediction makes of the measured spectra falls to −3 dB there:
        ``2 Re(±S e^{jωτ}) / (A + B) ≥ 1/2``.

    Examples
    --------
    White noise and its copy 1 ms late: 500, 1500, … Hz.  Of two unlike sounds nothing is told.

    >>> f = np.arange(4097) * 6.0
    >>> white = np.ones_like(f)
    >>> copy = PairSpectra(frequency_hz=f, auto_a=white, auto_b=white, cross=np.exp(-2j * np.pi * f * 1e-3))
    >>> seen_notches(copy, offset_ms=1.0, inverted=False, most=3)
    SourceNotches(notches_hz=(500.0, 1500.0, 2500.0), low_end_hz=None)
    >>> unlike = PairSpectra(frequency_hz=f, auto_a=white, auto_b=white, cross=0j * f)
    >>> seen_notches(unlike, offset_ms=1.0, inverted=True)
    SourceNotches(notches_hz=(), low_end_hz=None)
    """
    if not offset_ms:
        return SourceNotches(notches_hz=(), low_end_hz=None)
    frequency = spectra.frequency_hz
    sign = -1.0 if inverted else 1.0
    turned = sign * (spectra.cross * turns(frequency, -1e-3 * offset_ms)).real
    spacing_hz = 1e3 / abs(offset_ms)
    candidates: Floats = notches_hz(abs(offset_ms), inverted, _HIGHEST_HZ)[: 4 * most]
    candidates = candidates[candidates >= _LOWEST_HZ]
    # |1 − e^{jωτ}|² is less than half the power sum below a sixth of 1/τ.
    low_end_hz = spacing_hz / 6.0
    low_hz = np.maximum(candidates - spacing_hz / 2, candidates * 2 ** (-1 / 6))
    high_hz = np.minimum(candidates + spacing_hz / 2, candidates * 2 ** (1 / 6))
    first = frequency.searchsorted(np.append(low_hz, _LOWEST_HZ))
    stop = frequency.searchsorted(np.append(high_hz, low_end_hz), side="right")
    crossing, power = (run_sums(values, first, stop) for values in (turned, spectra.auto_a + spectra.auto_b))
    share = np.divide(2.0 * crossing, power, out=np.zeros_like(power), where=power > 0.0)
    told = [round(hz, 2) for hz in candidates[share[:-1] >= _TOLD][:most].tolist()]
    cancels = inverted and low_end_hz > _LOWEST_HZ and share[-1] >= _TOLD
    return SourceNotches(notches_hz=tuple(told), low_end_hz=round(low_end_hz, 1) if cancels else None)
