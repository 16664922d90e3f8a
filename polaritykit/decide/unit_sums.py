"""Levels of every source in the sums that are likely to be made, for any set of units moved or left.

The sums: of all tracks, for every source; of a unit's own mics with the anchor, for its own source; and of a
source's own mics, where it has several.  Each
is a sum of few waves (what never moves, each unit where it is, each unit moved), so that the level under any
set of moves follows from their products octave by octave, worked out once.

Conventions: as in `source_sums`; a set of units is a frozenset of their numbers.
"""

from collections.abc import Iterable, Sequence

import numpy as np

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
    summed,
    weights,
)
from polaritykit.decide.units import Unit


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
        products, heard, shares, without = [], [], [], []
        for _, spectra, gains in sums:
            weighted = _weights(spectra, gains, units, start, moves)
            products.append(_products(spectra, weighted))
            heard.append(heard_octaves(spectra, gains, np.flatnonzero(gains).tolist()))
            shares.append(energy_shares(spectra, gains, heard[-1]))
            parts = [_products(spectra.leaving_out(group), weighted)[heard[-1]] for group in range(GROUPS)]
            without.append(np.stack(parts))
        n = len(scene.heard)
        self._units = len(units)
        self._products = np.array(products).reshape(
            -1, len(JUDGED_HZ), 2 * len(units) + 1, 2 * len(units) + 1
        )
        #: With each group of strokes left out, of what is heard: (n_groups, n_heard, n_waves, n_waves).
        self._without = np.concatenate(without, axis=1)
        self._heard = np.array(heard).reshape(-1, len(JUDGED_HZ))
        self._own = slice(n, n + len(units))
        self._own_shares = np.array(shares[self._own]).reshape(-1, len(JUDGED_HZ))
        #: Home and octave of each level.
        self.about = tuple(
            (home, JUDGED_HZ[octave])
            for (home, _, _), chosen in zip(sums, self._heard, strict=True)
            for octave in np.flatnonzero(chosen)
        )
        self._known: dict[frozenset[int], tuple[Floats, Floats, Floats]] = {}

    def look_at(self, sets: Iterable[frozenset[int]]) -> None:
        """Work out the levels of several sets at once.

        Parameters
        ----------
        sets : iterable of frozenset of int
        """
        new = [moved for moved in dict.fromkeys(sets) if moved not in self._known]
        if not new:
            return
        chosen = np.zeros((len(new), 2 * self._units + 1))
        chosen[:, 0] = 1.0
        for row, moved in zip(chosen, new, strict=True):
            for unit in range(self._units):
                row[1 + 2 * unit + (unit in moved)] = 1.0
        levels = octave_levels_db(((chosen @ self._products) * chosen).sum(axis=-1))
        # One after the other: the sums of all groups at once are large.
        without = [octave_levels_db(((chosen @ part) * chosen).sum(axis=-1)) for part in self._without]
        own = levels[self._own]
        for place, moved in enumerate(new):
            means = (self._own_shares * own[:, :, place]).sum(axis=1)
            parts = np.stack([part[:, place] for part in without])
            self._known[moved] = (levels[:, :, place][self._heard], means, parts)

    def levels_db(self, moved: frozenset[int]) -> Floats:
        """Return the levels of all that is heard, in the order of `about`.

        Parameters
        ----------
        moved : frozenset of int
        """
        self.look_at([moved])
        return self._known[moved][0]

    def changes_db(self, moved: frozenset[int], before: frozenset[int]) -> tuple[Floats, Floats]:
        """Return what a set changes of all that is heard, and how well that is known.

        Parameters
        ----------
        moved, before : frozenset of int

        Returns
        -------
        tuple of ndarray
            Mean and standard deviation, from `certainty.weighed_db`; in the order of `about`.
        """
        self.look_at([moved, before])
        (now, _, parts), (then, _, parts_then) = self._known[moved], self._known[before]
        return weighed_db(now - then, spread_db(parts - parts_then))

    def own_db(self, moved: frozenset[int]) -> Floats:
        """Return the mean level of each unit's own source in its own mics with the anchor.

        Parameters
        ----------
        moved : frozenset of int

        Returns
        -------
        ndarray, shape (n_units,)
        """
        self.look_at([moved])
        return self._known[moved][1]


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


def _weights(
    spectra: GatedSpectra, gains: Floats, units: Sequence[Unit], start: Floats, moves: Sequence[Floats]
) -> list[Complexes]:
    """Weights of the waves a sum is made of: what never moves; each unit where it is, and moved."""
    movers = [track for unit in units for track in unit.members]
    rest = gains.copy()
    rest[movers] = 0.0
    found = [weights(spectra, rest, start)]
    for unit, move in zip(units, moves, strict=True):
        own = np.zeros_like(gains)
        own[list(unit.members)] = gains[list(unit.members)]
        found += [weights(spectra, own, start + shift) for shift in (0.0 * move, move)]
    return found


def _products(spectra: GatedSpectra, weighted: Sequence[Complexes]) -> Floats:
    """Real products of the waves a sum is made of, shape (n_octaves, n_waves, n_waves)."""
    waves = [summed(spectra, weight) for weight in weighted]
    found = np.zeros((len(JUDGED_HZ), len(waves), len(waves)))
    for octave in range(len(JUDGED_HZ)):
        inside = spectra.octave == octave
        held = np.stack([wave[inside].ravel() for wave in waves])
        found[octave] = (held.conj() @ held.T).real / spectra.parts.shape[2]
    return found
