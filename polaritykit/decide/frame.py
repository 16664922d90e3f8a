"""Lateness of tracks against the anchor, source by source: what is taken out before anything is chosen.

Conventions: seconds, positive later than the anchor; with an anchor that is a stereo pair, than the mean of
the two, so that the pair keeps its spacing and neither side is the truth.  NaN where not known.
"""

import numpy as np

from polaritykit.base.types import Floats
from polaritykit.decide.scene import Scene, Sound


def against_anchor(sound: Sound, anchors: tuple[int, ...]) -> Floats:
    """How late every track hears a source, against the anchor.

    Parameters
    ----------
    sound : Sound
    anchors : tuple of int
        The anchor, or both tracks of its pair; where one of the two has no arrival the other speaks for both.

    Returns
    -------
    ndarray, shape (n_tracks,)
    """
    known = [float(sound.arrival_s[a]) for a in anchors if np.isfinite(sound.arrival_s[a])]
    zero = float(np.mean(known)) if known else np.nan
    return np.asarray(sound.arrival_s - zero)


def own_lateness(scene: Scene) -> Floats:
    """How late every track hears its own source against the anchor."""
    late = np.full(len(scene.signs), np.nan)
    for track, own in enumerate(scene.own):
        if own >= 0:
            late[track] = against_anchor(scene.sounds[own], scene.anchors)[track]
    return late
