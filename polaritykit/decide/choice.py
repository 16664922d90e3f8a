"""One choice of shift per unit, in a frame in which first arrivals coincide and all measured signs are one.

First candidate: first arrivals coincide.  Another one close by wins where the source's own mics and the
anchor gain from it, and where it makes the octaves of all sources in the sum of all fuller than chance would:
what is full in the frame can cost few recordings anything.  Nothing here knows how the session was recorded.

Conventions: candidates are in seconds on top of the coinciding arrivals; units are placed in turn, in an
order that neither names nor places nor gains of tracks can change.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.types import Floats
from polaritykit.decide.scene import Scene
from polaritykit.decide.source_sums import (
    JUDGED_HZ,
    GatedSpectra,
    energy_shares,
    heard_octaves,
    octave_levels_db,
    octave_powers,
    parts_power,
    weights,
    whole_strokes,
)
from polaritykit.decide.units import Unit

#: Candidates reach half a period at 330 Hz, so that no neighbouring lobe is taken in the main octaves of
#: drums.
REACH_S, STEP_S = 1.5e-3, 0.05e-3
#: Another candidate wins by this much more ...
LEAST_GAIN_DB = 0.3
#: ... and, of mics on one source, costs no octave in their own sum more than that.
MOST_LOSS_DB = 0.5
#: A mean gain of so many dB is worth an octave of a source that is sure to lose (chosen on simulated kits of
#: the benchmark's development split; 1 to 12 do about alike).
PRICE_DB = 3.0
#: Units depend on one another; each is placed anew this often at most.
MOST_ROUNDS = 4


@dataclass(frozen=True, kw_only=True)
class Choice:
    """Where a unit goes in the frame."""

    #: Of the unit, on top of coinciding arrivals.
    shift_s: float
    #: Of each member, on top of the unit's.
    inner_s: tuple[float, ...]


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
    whole = signed_gains(scene, [*(track for unit in units for track in unit.judged), *scene.anchors])
    chance = [by_chance_db(sound.spectra, whole) for sound in scene.heard]
    at = np.zeros(len(units))
    # Loud ones first, by what is the same in any order of tracks and at any gains.
    order = np.argsort([-_loudness(scene, unit)[unit.reference] for unit in units], kind="stable")
    for _ in range(MOST_ROUNDS):
        before = at.copy()
        for number in order.tolist():
            members = list(units[number].members)
            shifts[members] -= at[number]
            at[number] = _place(scene, units[number], whole, chance, shifts=shifts, now=float(at[number]))
            shifts[members] += at[number]
        if np.array_equal(before, at):
            break
    return tuple(Choice(shift_s=float(s), inner_s=own) for s, own in zip(at, inner, strict=True))


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
    order = sorted(unit.judged, key=lambda track: (track != unit.reference, -loudness[track]))
    for place in range(1, len(order)):
        track = order[place]
        best = _best(spectra, signed_gains(scene, order[: place + 1]), shifts, track)
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


def by_chance_db(spectra: GatedSpectra, gains: Floats) -> Floats:
    """Level of a source per octave in a sum whose delays are chance: that of the powers, NaN if not heard.

    Parameters
    ----------
    spectra : GatedSpectra
    gains : ndarray, shape (n_tracks,)
        Of the sum, with the tracks' signs.

    Returns
    -------
    ndarray, shape (n_octaves,)
    """
    tracks, places = spectra.held(np.arange(len(gains)))
    power = parts_power(spectra.parts)[:, places] @ gains[tracks] ** 2
    levels = octave_levels_db(np.array([power[spectra.octave == k].sum() for k in range(len(JUDGED_HZ))]))
    return np.where(heard_octaves(spectra, gains, np.flatnonzero(gains).tolist()), levels, np.nan)


def likely_losses(over_chance_db: Floats) -> Floats:
    """Count the octaves that are likely to lose what is heard, where delays were chance before.

    The power of a sum of many waves of random phase is exponential (Rayleigh, 1880), so that it was over x
    times its mean with the probability exp(−x).

    Parameters
    ----------
    over_chance_db : ndarray, shape (n_octaves, n_candidates)
        Levels over those by chance; NaN where nothing is heard.

    Returns
    -------
    ndarray, shape (n_candidates,)
    """
    return np.asarray(np.nansum(np.exp(-(10.0 ** ((over_chance_db + AUDIBLE_DB) / 10.0))), axis=0))


def _place(
    scene: Scene, unit: Unit, whole: Floats, chance: Sequence[Floats], *, shifts: Floats, now: float
) -> float:
    """Find the place of one unit beside the others as they stand; where it is now unless another gains."""
    tried = candidates()
    mics = signed_gains(scene, (*unit.judged, *scene.anchors))
    own = scene.sounds[unit.sound].spectra
    merit = mean_change_db(own, mics, shifts, moving=unit.members, tried=tried)
    for sound, by_chance in zip(scene.heard, chance, strict=True):
        powers = octave_powers(sound.spectra, weights(sound.spectra, whole, shifts), unit.members, tried)
        merit = merit - PRICE_DB * likely_losses(octave_levels_db(powers) - by_chance[:, None])
    best = int(np.argmax(merit))
    return float(tried[best]) if merit[best] >= merit[np.argmin(np.abs(tried - now))] + LEAST_GAIN_DB else now


def _best(spectra: GatedSpectra, gains: Floats, shifts: Floats, track: int) -> float:
    """Return the candidate that gains most in a sum where no octave loses; 0 where none gains enough."""
    tried = candidates()
    changes, heard = changes_db(spectra, gains, shifts, moving=(track,), tried=tried)
    gain = energy_shares(spectra, gains, heard) @ changes
    allowed = (changes[heard] >= -MOST_LOSS_DB).all(axis=0)
    best = int(np.argmax(np.where(allowed, gain, -np.inf)))
    return float(tried[best]) if gain[best] >= LEAST_GAIN_DB else 0.0


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
