"""Levels of every source in the sums that are likely to be made, for any set of units moved or left.

The sums: of all tracks, for every source; of a unit's own mics with the anchor, for its own source; and of a
source's own mics, where it has several.  Each is a sum of few waves (all tracks where they begin, and what
moving each unit adds), so that the level under any set of moves follows from their products octave by octave,
worked out once.

Conventions: as in `source_sums`; a set of units is a frozenset of their numbers.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.turns import turns
from polaritykit.base.types import Complexes, Floats
from polaritykit.decide.certainty import spread_db, weighed_db
from polaritykit.decide.choice import signed_gains
from polaritykit.decide.scene import Scene
from polaritykit.decide.source_sums import (
    GROUPS,
    JUDGED_HZ,
    GatedSpectra,
    energy_shares,
    heard_octaves,
    octave_levels_db,
)
from polaritykit.decide.units import Unit


@dataclass(frozen=True, kw_only=True)
class SetLevels:
    """Levels under some sets of moves."""

    #: Of all that is heard, shape (n_sets, n_levels).
    heard_db: Floats
    #: Mean of each unit's own source in its own mics with the anchor, shape (n_sets, n_units).
    own_db: Floats
    #: Of all that is heard, with each group of strokes left out, shape (n_groups, n_sets, n_levels).
    without_db: Floats

    def changes_db(self, before: "SetLevels") -> tuple[Floats, Floats]:
        """Return what these sets change of all that is heard against one other, and how well that is known.

        Parameters
        ----------
        before : SetLevels
            Of one set.

        Returns
        -------
        tuple of ndarray, shape (n_sets, n_levels)
            Mean and standard deviation, from `certainty.weighed_db`.
        """
        spread = spread_db(self.without_db - before.without_db)
        return weighed_db(self.heard_db - before.heard_db, spread)


class UnitSums:
    """Levels under any set of moves.

    Parameters
    ----------
    scene : Scene
    units : sequence of Unit
    start : ndarray, shape (n_tracks,)
        Shifts before any unit moves, seconds.
    moves : sequence of ndarray, shape (n_tracks,)
        What each unit moves by.
    """

    def __init__(self, scene: Scene, units: Sequence[Unit], start: Floats, moves: Sequence[Floats]) -> None:
        whole = signed_gains(scene, np.flatnonzero(scene.usable & scene.related).tolist())
        sums = [(sound.home, sound.spectra, whole) for sound in scene.heard]
        for unit in units:
            sound = scene.sounds[unit.sound]
            sums.append((sound.home, sound.spectra, signed_gains(scene, (*unit.judged, *scene.anchors))))
        # Mics on one source that are not moved together, one of them with an open sign, say.
        for number, sound in enumerate(scene.heard):
            own = own_mics(scene, number)
            if len(own) > 1:
                sums.append((sound.home, sound.spectra, signed_gains(scene, own)))
        heard = [heard_octaves(spectra, gains, np.flatnonzero(gains).tolist()) for _, spectra, gains in sums]
        waves = _Waves(units, start, moves)
        #: Of the average of all strokes, and with each group left out: (1 + n_groups, n_levels, n_waves,
        #: n_waves).
        self._products = np.concatenate(
            [
                waves.products(spectra, gains, np.flatnonzero(octaves))
                for (_, spectra, gains), octaves in zip(sums, heard, strict=True)
            ],
            axis=1,
        )
        #: Home and octave of each level.
        self.about = tuple(
            (home, JUDGED_HZ[octave])
            for (home, _, _), octaves in zip(sums, heard, strict=True)
            for octave in np.flatnonzero(octaves)
        )
        ends = np.cumsum([octaves.sum() for octaves in heard])
        #: Shares of the levels in each unit's own mean.
        self._own = np.zeros((len(self.about), len(units)))
        for column, place in zip(self._own.T, range(len(scene.heard), len(sums)), strict=False):
            _, spectra, gains = sums[place]
            shares = energy_shares(spectra, gains, heard[place])[heard[place]]
            column[ends[place] - len(shares) : ends[place]] = shares

    def of(self, moved: frozenset[int]) -> SetLevels:
        """Return the levels of one set.

        Parameters
        ----------
        moved : frozenset of int
        """
        return self.near(moved, np.zeros((1, 2), np.int64), np.zeros((1, 2)))

    def near(self, moved: frozenset[int], units: NDArray[np.int64], steps: Floats) -> SetLevels:
        """Return the levels of sets that differ from one by two units at most.

        Parameters
        ----------
        moved : frozenset of int
        units : ndarray of int, shape (n_sets, 2)
        steps : ndarray, shape (n_sets, 2)
            1 moves that unit too, −1 leaves it, 0 changes nothing.
        """
        here = np.zeros(self._products.shape[-1])
        here[[0, *(1 + unit for unit in moved)]] = 1.0
        row = self._products @ here
        first, second = (1 + units).T
        one, other = steps.T
        power = (row @ here)[..., None] + 2.0 * (one * row[..., first] + other * row[..., second])
        power += one**2 * self._products[..., first, first] + other**2 * self._products[..., second, second]
        power += 2.0 * one * other * self._products[..., first, second]
        levels = octave_levels_db(power).swapaxes(1, 2)
        return SetLevels(heard_db=levels[0], own_db=levels[0] @ self._own, without_db=levels[1:])


def own_mics(scene: Scene, number: int) -> list[int]:
    """Return the tracks that are there for a source, but for the anchor's pair and rooms.

    Parameters
    ----------
    scene : Scene
    number : int
        Place of the source in all that is heard.
    """
    kept = (*scene.anchors, scene.anchor)
    # A drum's strokes may be found as several sources at one home.
    one_home = [k for k, sound in enumerate(scene.sounds) if sound.home == scene.heard[number].home]
    near = np.isin(scene.own, one_home) & ~scene.room & scene.usable
    return [track for track in np.flatnonzero(near).tolist() if track not in kept]


class _Waves:
    """What a sum is made of: all tracks where they begin, and what moving each unit adds."""

    def __init__(self, units: Sequence[Unit], start: Floats, moves: Sequence[Floats]) -> None:
        self._n = 1 + len(units)
        self._start, self._moved = start, start.copy()
        #: Wave that each track adds to when it moves; 0 where it never does.
        self._of = np.zeros(len(start), np.int64)
        for number, (unit, move) in enumerate(zip(units, moves, strict=True), start=1):
            self._of[list(unit.members)] = number
            self._moved[list(unit.members)] += move[list(unit.members)]

    def products(self, spectra: GatedSpectra, gains: Floats, octaves: NDArray[np.int64]) -> Floats:
        """Real products of the waves of a sum, octave by octave, for all strokes and without each group.

        Parameters
        ----------
        spectra : GatedSpectra
        gains : ndarray, shape (n_tracks,)
        octaves : ndarray of int
            Places in `JUDGED_HZ`.

        Returns
        -------
        ndarray, shape (1 + n_groups, n_octaves, n_waves, n_waves)
        """
        tracks, places = spectra.held(np.flatnonzero(gains))
        order = np.argsort(self._of[tracks], kind="stable")
        tracks, places = tracks[order], places[order]
        still, moved = (turns(spectra.frequency_hz, late[tracks]).T for late in (self._start, self._moved))
        parts, groups = _parts(spectra, places)
        first = np.searchsorted(self._of[tracks], 1)
        waves, starts = np.unique(self._of[tracks[first:]], return_index=True)
        made = [np.matmul((gains[tracks] * still)[:, None], parts)]
        if len(waves):
            more = (gains[tracks] * (moved - still))[:, first:, None] * parts[:, first:]
            made.append(np.add.reduceat(more, starts, axis=1))
        both = np.concatenate(made, axis=1)
        found = np.zeros((1 + GROUPS, len(octaves), self._n, self._n))
        places = np.array([0, *waves])
        for row, octave in enumerate(octaves):
            found[:, row, places[:, None], places] = _grams(both[spectra.octave == octave], groups)
        return found


def _parts(
    spectra: GatedSpectra, places: NDArray[np.int64]
) -> tuple[Complexes | NDArray[np.complex64], NDArray[np.int64] | None]:
    """Parts at some places; of an average the same without each group too, else the group of each part."""
    if spectra.without is None:
        return spectra.parts[:, places], np.arange(spectra.parts.shape[2]) % GROUPS
    without = spectra.without[np.arange(GROUPS) % len(spectra.without)][:, :, places]
    return np.concatenate([spectra.parts[:, places], without.transpose(1, 2, 0)], axis=2), None


def _grams(waves: Complexes, groups: NDArray[np.int64] | None) -> Floats:
    """Real products of waves, (n_bins, n_waves, n_parts), of all parts and without each group of them.

    Shape (1 + n_groups, n_waves, n_waves).
    """
    flat = np.concatenate([waves.real, waves.imag]).transpose(2, 1, 0)
    if groups is None:
        return np.asarray(flat @ flat.swapaxes(1, 2))
    # Parts that all belong to one group are not left out.
    counts = np.bincount(groups, minlength=GROUPS)
    of_group = np.zeros((GROUPS, flat.shape[1], flat.shape[1]))
    for group in np.flatnonzero(counts):
        own = flat[groups == group].swapaxes(0, 1).reshape(flat.shape[1], -1)
        of_group[group] = own @ own.T
    whole = of_group.sum(axis=0)
    kept = len(groups) - counts
    means = [whole / len(groups)]
    for group in np.arange(GROUPS) % min(GROUPS, len(groups)):
        alone = len(groups) < 2
        means.append(means[0] if alone else (whole - of_group[group]) / kept[group])
    return np.stack(means)
