"""Tracks that should hear alike and differ by about a pad.

Two mics hear a source alike when they stand equally far from it, which first arrivals tell; of a stereo pair
one side may be nearer to one source and the other side to another, so that the middle of all sources counts.

Conventions: a step is the level of the louder track over the quieter one, dB.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

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
        Of stereo pairs, and of tracks that hear a source at the same moment.
    """
    linked = {frozenset(pair) for pair in scene.linked}
    found = []
    for a, b in combinations(np.flatnonzero(scene.usable).tolist(), 2):
        pair = frozenset((a, b)) in linked
        if not pair and scene.signs[a] != scene.signs[b]:
            # On the two sides of a drum two mics hear it at once, and not alike.
            continue
        differences = np.array(
            [
                float(sound.level_db[b] - sound.level_db[a])
                for sound in scene.sounds
                if _counts(sound.arrival_s[b] - sound.arrival_s[a], linked=pair)
            ]
        )
        if not len(differences):
            continue
        step = float(np.median(differences))
        near = [pad for pad in PADS_DB if abs(abs(step) - pad) <= WINDOW_DB]
        if near and float(np.median(np.abs(differences - step))) <= AGREE_DB:
            louder, quieter = (b, a) if step > 0.0 else (a, b)
            found.append(LevelStep(louder=louder, quieter=quieter, step_db=abs(step), pad_db=near[0]))
    return tuple(found)


def _counts(offset_s: float, *, linked: bool) -> bool:
    return bool(np.isfinite(offset_s) and (linked or abs(offset_s) <= SAME_DISTANCE_S))
