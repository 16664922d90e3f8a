"""One choice of shift per unit, in a frame in which first arrivals coincide and all measured signs are one.

First candidate: first arrivals coincide.  Another one close by wins where the source's own mics and the
anchor gain from it, and nothing that matters loses.  Nothing here knows how the session was recorded.

Conventions: candidates are in seconds on top of the coinciding arrivals; every unit is weighed with all
others at theirs, so that no order of tracks matters.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats
from polaritykit.decide.scene import Scene
from polaritykit.decide.source_sums import (
    GatedSpectra,
    energy_shares,
    heard_octaves,
    octave_levels_db,
    octave_powers,
    weights,
    whole_strokes,
)
from polaritykit.decide.units import Unit

#: Candidates reach half a period at 330 Hz, so that no neighbouring lobe is taken in the main octaves of
#: drums.
REACH_S, STEP_S = 1.5e-3, 0.05e-3
#: Another candidate wins by this much more on average, and costs no octave of any source more than that.
LEAST_GAIN_DB, MOST_LOSS_DB = 0.3, 0.5


@dataclass(frozen=True, kw_only=True)
class Choice:
    """Where a unit goes in the frame."""

    #: Of the unit, on top of coinciding arrivals.
    shift_s: float
    #: Of each member, on top of the unit's.
    inner_s: tuple[float, ...]
    #: Mean change of its own source in its own mics with the anchor, against coinciding arrivals.
    gain_db: float


def candidates() -> Floats:
    """Shifts to look at, 0 in the middle."""
    steps = round(REACH_S / STEP_S)
    return np.asarray(np.arange(-steps, steps + 1) * STEP_S)


def choose(scene: Scene, units: Sequence[Unit]) -> tuple[Choice, ...]:
    """Choose for every unit.

    Parameters
    ----------
    scene : Scene
    units : sequence of Unit

    Returns
    -------
    tuple of Choice
    """
    inner = [_choose_inner(scene, unit) for unit in units]
    shifts = np.zeros(len(scene.signs))
    for unit, own in zip(units, inner, strict=True):
        for member, coincide, more in zip(unit.members, unit.coincide_s, own, strict=True):
            shifts[member] = coincide + more
    frame = [track for unit in units for track in unit.members] + list(scene.anchors)
    return tuple(
        _choose_outer(scene, unit, own, frame=frame, shifts=shifts)
        for unit, own in zip(units, inner, strict=True)
    )


def signed_gains(scene: Scene, tracks: Sequence[int]) -> Floats:
    """Gain and sign of some tracks, 0 for all others."""
    gains = np.zeros(len(scene.signs))
    chosen = list(tracks)
    gains[chosen] = (scene.gains * scene.signs)[chosen]
    return gains


def _choose_inner(scene: Scene, unit: Unit) -> tuple[float, ...]:
    """Set mics on one source to one another by what their own sum gains, the clearest mic first."""
    inner = np.zeros(len(unit.members))
    if not unit.one_source:
        return tuple(inner)
    spectra = close_up(scene, unit)
    shifts = np.zeros(len(scene.signs))
    shifts[list(unit.members)] = unit.coincide_s
    loudness = _loudness(scene, unit)
    order = sorted(unit.members, key=lambda track: (track != unit.reference, -loudness[track]))
    for place in range(1, len(order)):
        inside, track = order[: place + 1], order[place]
        gains = signed_gains(scene, inside)
        best, _ = _best(
            mean_of=(spectra, gains), never_less=[(spectra, gains)], shifts=shifts, moving=(track,)
        )
        inner[unit.members.index(track)] = best
        shifts[track] += best
    return tuple(float(value) for value in inner)


def close_up(scene: Scene, unit: Unit) -> GatedSpectra:
    """Return the unit's source as its own mics hear it: far above all else there."""
    return whole_strokes(scene.sounds[unit.sound].spectra)


def _loudness(scene: Scene, unit: Unit) -> Floats:
    """Level of the unit's source in each track against that track's whole level."""
    power = scene.sounds[unit.sound].spectra.octave_power.sum(axis=0)
    return octave_levels_db(power * scene.gains**2)


def _choose_outer(
    scene: Scene, unit: Unit, inner: tuple[float, ...], *, frame: Sequence[int], shifts: Floats
) -> Choice:
    own = scene.sounds[unit.sound].spectra
    mics = signed_gains(scene, (*unit.members, *scene.anchors))
    whole = signed_gains(scene, frame)
    never_less = [(own, mics), *((sound.spectra, whole) for sound in scene.sounds)]
    best, gain = _best(mean_of=(own, mics), never_less=never_less, shifts=shifts, moving=unit.members)
    return Choice(shift_s=best, inner_s=inner, gain_db=gain)


def _best(
    *,
    mean_of: tuple[GatedSpectra, Floats],
    never_less: Sequence[tuple[GatedSpectra, Floats]],
    shifts: Floats,
    moving: Sequence[int],
) -> tuple[float, float]:
    """Return the candidate that gains most where nothing loses, and its gain; 0 where none gains enough."""
    tried = candidates()
    gain = mean_change_db(*mean_of, shifts, moving=moving, tried=tried)
    allowed = np.ones(len(tried), dtype=bool)
    for spectra, gains in never_less:
        changes, heard = changes_db(spectra, gains, shifts, moving=moving, tried=tried)
        allowed &= (changes[heard] >= -MOST_LOSS_DB).all(axis=0)
    best = int(np.argmax(np.where(allowed, gain, -np.inf)))
    if gain[best] < LEAST_GAIN_DB:
        return 0.0, 0.0
    return float(tried[best]), float(gain[best])


def changes_db(
    spectra: GatedSpectra,
    gains: Floats,
    shifts: Floats,
    *,
    moving: Sequence[int],
    tried: Floats,
) -> tuple[Floats, NDArray[np.bool_]]:
    """Change of a source's octaves in a sum against no move, and which octaves are heard.

    Parameters
    ----------
    spectra : GatedSpectra
        Of one source.
    gains : ndarray, shape (n_tracks,)
        Of the sum, with the tracks' signs; 0 for tracks that are not in it.
    shifts : ndarray, shape (n_tracks,)
        Of all tracks, seconds.
    moving : sequence of int
        Tracks that move together on top of that ...
    tried : ndarray, shape (n_candidates,)
        ... by each of these, seconds.

    Returns
    -------
    changes_db : ndarray, shape (n_octaves, n_candidates)
    heard : ndarray of bool, shape (n_octaves,)
    """
    levels = octave_levels_db(octave_powers(spectra, weights(spectra, gains, shifts), moving, tried))
    zero = int(np.argmin(np.abs(tried)))
    return levels - levels[:, zero : zero + 1], heard_octaves(spectra, gains, np.flatnonzero(gains).tolist())


def mean_change_db(
    spectra: GatedSpectra,
    gains: Floats,
    shifts: Floats,
    *,
    moving: Sequence[int],
    tried: Floats,
) -> Floats:
    """Change of a source's level in a sum, mean over its octaves by their energy.

    Parameters
    ----------
    spectra, gains, shifts, moving, tried : see `changes_db`

    Returns
    -------
    ndarray, shape (n_candidates,)
        dB.
    """
    changes, heard = changes_db(spectra, gains, shifts, moving=moving, tried=tried)
    return np.asarray(energy_shares(spectra, gains, heard) @ changes)
