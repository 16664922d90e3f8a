"""A low-cut on one of two tracks, from the sound both share: it takes level and turns the phase, together.

Between two microphones the level differs at the bottom for many reasons (room, distance, capsule); a filter
is what loses level along its slope *and* turns the phase by as much as goes with it.  Both are fitted at
once.

Conventions: band levels are b over a in dB, phases of b against a in degrees, the offset and the sign taken
out.
"""

from dataclasses import dataclass

import numpy as np

from polaritykit.base.hann import BINS_ALIKE, INDEPENDENT_FRAMES
from polaritykit.base.octaves import octave_bins
from polaritykit.base.types import Complexes, Floats
from polaritykit.jobs.pair.findings import LowCut
from polaritykit.spectra.pool import Spectra

#: Third octaves that are looked at: a low-cut's corner lies from 30 to 200 Hz, rarely at 400 (common
#: practice, no source), and above it the level has to settle.
_BANDS_HZ = 25.0 * 2.0 ** (np.arange(19) / 3.0)
_CORNERS_HZ = 30.0 * 2.0 ** (np.arange(0, 91) / 24.0)
#: 6, 12, 18 and 24 dB an octave.
_ORDERS = (1, 2, 3, 4)
#: A third octave counts when this share of it is common to both.
_LEAST_SHARED = 0.3
#: How far two mics in one room depart from each other by place and capsule, in a third octave.
_LEVEL_STD_DB, _PHASE_STD_DEG = 3.0, 20.0
#: The filter must explain what no filter leaves: four standard deviations, squared ...
_LEAST_EXPLAINED = 16.0
#: ... and what remains must look like the scatter above, per figure.
_MOST_LEFT = 1.5
#: What is not lost by so much where both still share sound is not seen.
_LEAST_LOSS_DB = 6.0


@dataclass(frozen=True, kw_only=True)
class _Seen:
    """Third octaves that both share, with the uncertainty of what is seen in them."""

    centre_hz: Floats
    level_db: Floats
    level_std_db: Floats
    phase_deg: Floats
    phase_std_deg: Floats


def find_low_cut(spectra: Spectra, *, offset_s: float, inverted: bool) -> LowCut | None:
    """Find a low-cut on one of two tracks.

    Parameters
    ----------
    spectra : Spectra
        Of the two, over the take.
    offset_s : float
        Of track 1 against 0, positive when 1 hears the sound later.
    inverted : bool
        Whether they are.

    Returns
    -------
    LowCut or None
    """
    seen = _shared_bands(spectra, offset_s=offset_s, inverted=inverted)
    if len(seen.centre_hz) < 6:
        return None
    nothing = _misfit(seen, np.zeros((1, len(seen.centre_hz))), np.zeros((1, len(seen.centre_hz))))[0]
    ratio: Complexes = np.asarray(1j * seen.centre_hz / _CORNERS_HZ[:, None], np.complex128)
    left, corner_hz, lost_db, side = np.inf, 0.0, 0.0, 1.0
    for order in _ORDERS:
        response = _high_pass(ratio, order)
        loss_db, lead_deg = 20.0 * np.log10(np.abs(response)), np.degrees(np.angle(response))
        for sign in (1.0, -1.0):
            misfit = _misfit(seen, sign * loss_db, sign * lead_deg)
            k = int(np.argmin(misfit))
            if misfit[k] < left:
                left, corner_hz, lost_db, side = misfit[k], _CORNERS_HZ[k], -loss_db[k].min(), sign
    figures = 2 * len(seen.centre_hz) - 2
    if nothing - left < _LEAST_EXPLAINED or left > _MOST_LEFT * figures or lost_db < _LEAST_LOSS_DB:
        return None
    return LowCut(side="other" if side > 0.0 else "reference", corner_hz=float(corner_hz))


def _high_pass(ratio: Complexes, order: int) -> Complexes:
    """Butterworth high-pass at s = jf/f_c (Butterworth, 1930)."""
    poles = np.exp(1j * np.pi * (2 * np.arange(order) + order + 1) / (2 * order))
    response: Complexes = ratio**order / np.prod([ratio - pole for pole in poles], axis=0)
    return response


def _shared_bands(spectra: Spectra, *, offset_s: float, inverted: bool) -> _Seen:
    rows = []
    turn = np.exp(2j * np.pi * spectra.frequency_hz * offset_s) * (-1.0 if inverted else 1.0)
    cross = spectra.cross(0, 1) * turn
    for centre_hz in _BANDS_HZ:
        inside = octave_bins(spectra.frequency_hz, float(centre_hz), 1.0 / 3.0)
        power = spectra.power[:, inside].sum(axis=1)
        n = INDEPENDENT_FRAMES * spectra.n_frames * max(1.0, np.count_nonzero(inside) / BINS_ALIKE)
        if not inside.any() or power.min() <= 0.0 or n < 3.0:
            continue
        both = complex(cross[inside].sum())
        # Less what chance gives: 1/n (Carter, Knapp and Nuttall, 1973).
        shared = (abs(both) ** 2 / float(power.prod()) - 1.0 / n) / (1.0 - 1.0 / n)
        if shared < _LEAST_SHARED:
            continue
        # The level of what is shared lies between |C|²/A and its reverse.
        unsure_db = -10.0 * np.log10(min(shared, 1.0))
        noise_deg = np.degrees(np.sqrt((1.0 - min(shared, 1.0)) / (2.0 * n * shared)))
        rows.append(
            (
                float(centre_hz),
                float(10.0 * np.log10(power[1] / power[0])),
                float(np.hypot(_LEVEL_STD_DB, unsure_db)),
                float(np.degrees(np.angle(both))),
                float(np.hypot(_PHASE_STD_DEG, noise_deg)),
            )
        )
    columns = np.array(rows, dtype=np.float64).reshape(-1, 5).T
    return _Seen(
        centre_hz=columns[0],
        level_db=columns[1],
        level_std_db=columns[2],
        phase_deg=columns[3],
        phase_std_deg=columns[4],
    )


def _misfit(seen: _Seen, loss_db: Floats, lead_deg: Floats) -> Floats:
    """Sum of squares in standard deviations, the common gain left free, for every row of a model."""
    weight = seen.level_std_db**-2
    away = seen.level_db - loss_db
    away = away - (away @ weight / weight.sum())[:, None]
    turned = (seen.phase_deg - lead_deg + 180.0) % 360.0 - 180.0
    found: Floats = ((away / seen.level_std_db) ** 2 + (turned / seen.phase_std_deg) ** 2).sum(axis=1)
    return found
