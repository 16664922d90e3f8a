"""Low sources without a clear first arrival: the fullest sum in their own octave stands for it.

A bass drum begins slowly, and its first motion is easily lost at an overhead; its octave is not.  Where the
sum with the anchor is fullest there tells how late the mic is, once its sign is settled: half a period
further off the sum is emptiest, so that only a whole period is open, and that is long.

Conventions: as in `frame`; cross-spectra conj(X_a)·X_b turn by −2πfτ where b is late by τ.
"""

from dataclasses import replace

import numpy as np

from polaritykit.base.types import Complexes, Floats
from polaritykit.decide.scene import Sound
from polaritykit.decide.source_sums import ALL_HZ, JUDGED_HZ

#: Octaves whose period is longer than close mics are apart from overheads: 8 ms and more.
HIGHEST_HZ = 125.0
#: Lags to look at, and their step.
_WITHIN_S, _STEP_S = 0.010, 5e-5
#: The fullest sum a period away comes no nearer than this to the fullest of all.
_MOST_RIVAL = 0.8
#: The phases of the octave agree on the lag this far; a lag a whole period off leaves a third (mean cosine).
_LEAST_UNISON = 0.7


def timed_by_octave(sound: Sound, track: int, anchors: tuple[int, ...], signs: Floats) -> Sound | None:
    """Time a source on its home track and the anchor by its own octave.

    Parameters
    ----------
    sound : Sound
    track : int
        Its home.
    anchors : tuple of int
    signs : ndarray, shape (n_tracks,)
        ±1 by the flips.

    Returns
    -------
    Sound or None
        The same sound with arrivals at the track and the anchor only; None where it is not low, or no lag
        stands out.
    """
    spectra = sound.spectra
    centre = ALL_HZ[int(np.argmax(spectra.octave_power[:, track]))]
    if centre not in JUDGED_HZ or centre > HIGHEST_HZ:
        return None
    inside = spectra.octave == JUDGED_HZ.index(centre)
    arrival = np.full(len(signs), np.nan)
    arrival[track] = 0.0
    for anchor in anchors:
        cross = float(signs[track] * signs[anchor]) * spectra.cross(track, anchor)[inside]
        lag = _lag_s(spectra.frequency_hz[inside], cross, centre)
        arrival[anchor] = np.nan if lag is None else lag
    if np.isfinite(arrival).sum() < 2:
        return None
    return replace(sound, arrival_s=arrival, by_octave=True)


def _lag_s(frequency_hz: Floats, cross: Complexes, centre_hz: float) -> float | None:
    """Lag of the fullest sum of two tracks in an octave; None where another one is nearly as full."""
    lags = np.arange(-round(_WITHIN_S / _STEP_S), round(_WITHIN_S / _STEP_S) + 1) * _STEP_S
    curve = (np.exp(2j * np.pi * np.outer(lags, frequency_hz)) @ cross).real
    best = int(np.argmax(curve))
    if not 0 < best < len(lags) - 1 or curve[best] < _LEAST_UNISON * float(np.abs(cross).sum()):
        return None
    rival = curve[np.abs(lags - lags[best]) > 0.5 / centre_hz].max(initial=0.0)
    return float(lags[best]) if rival <= _MOST_RIVAL * curve[best] else None
