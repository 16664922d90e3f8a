"""Tracks that should hear alike and differ by about a pad.

Two mics hear a source alike when they stand equally far from it, which first arrivals tell; of a stereo pair
one side may be nearer to one source and the other side to another, so that the middle of all sources counts.
Gains are set by what is loudest in a track: that two mics stand equally far from some third drum tells
nothing of a pad.

Conventions: a step is the level of the louder track over the quieter one, dB.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats
from polaritykit.decide.scene import Scene

#: Pads are 10 or 20 dB (common practice, no source), met within this.
PADS_DB, WINDOW_DB = (10, 20), 1.5
#: First arrivals this close are of one distance: 3 cm, a few tenths of a dB at 1 m.
SAME_DISTANCE_S = 1e-4
#: Sources that put the step this far apart do not agree on one.
AGREE_DB = 3.0


@dataclass(frozen=True, kw_only=True)
class LevelStep:
    """Two tracks that differ by about a pad."""

    louder: int
    quieter: int
    step_db: float
    pad_db: int


def level_steps(scene: Scene) -> tuple[LevelStep, ...]:
    """Find the pairs of tracks that differ by about a pad.

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    tuple of LevelStep
        Of stereo pairs, and of tracks that hear what is loudest in both at the same moment.
    """
    if not scene.sounds:
        return ()
    linked = {frozenset(pair) for pair in scene.linked}
    arrival_s = np.array([sound.arrival_s for sound in scene.sounds])
    level_db = np.array([sound.level_db for sound in scene.sounds])
    loudest = level_db == level_db.max(axis=0)
    found = []
    for a, b in _candidates(scene, arrival_s, loudest):
        pair = frozenset((a, b)) in linked
        if not pair and scene.signs[a] != scene.signs[b]:
            # On the two sides of a drum two mics hear it at once, and not alike.
            continue
        offset_s, leads = arrival_s[:, b] - arrival_s[:, a], loudest[:, a] & loudest[:, b]
        counts = _counts(offset_s, leads, linked=pair)
        differences = level_db[counts, b] - level_db[counts, a]
        step = float(np.median(differences))
        near = [pad for pad in PADS_DB if abs(abs(step) - pad) <= WINDOW_DB]
        if near and float(np.median(np.abs(differences - step))) <= AGREE_DB:
            louder, quieter = (b, a) if step > 0.0 else (a, b)
            found.append(LevelStep(louder=louder, quieter=quieter, step_db=abs(step), pad_db=near[0]))
    return tuple(found)


def _candidates(scene: Scene, arrival_s: Floats, loudest: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """Yield the usable pairs whose source they hear at the same moment, or linked ones that hear any."""
    usable = np.flatnonzero(scene.usable)
    for place, a in enumerate(usable.tolist()):
        others = usable[place + 1 :]
        image = np.array([(a, b) in scene.linked or (b, a) in scene.linked for b in others.tolist()], bool)
        leads = loudest[:, others] & loudest[:, [a]]
        counts = _counts(arrival_s[:, others] - arrival_s[:, [a]], leads, linked=image)
        yield from ((a, b) for b in others[counts.any(axis=0)].tolist())


def _counts(
    offset_s: Floats, leads: NDArray[np.bool_], *, linked: NDArray[np.bool_] | bool
) -> NDArray[np.bool_]:
    same = leads & (np.abs(offset_s) <= SAME_DISTANCE_S)
    return np.asarray(np.isfinite(offset_s) & (linked | same))
