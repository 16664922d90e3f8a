"""Whose mic a track is: the source it is there for, and whether it is there for one at all.

By levels alone: not by names, and not by what happens to be loudest in it, which in a mic with a rarely
played drum is its neighbours.  Conventions: levels in dB, (n_sources, n_tracks).
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats

#: A close mic hears its own source at twice the amplitude at which it hears what is usual there.
STANDS_OUT_DB = 6.0


def standing_out_db(level_db: Floats, gains: Floats, counted: NDArray[np.bool_]) -> Floats:
    """How far each source stands out in each track, against the same source in the others.

    Parameters
    ----------
    level_db : ndarray, shape (n_sources, n_tracks)
    gains : ndarray, shape (n_tracks,)
        Bring the tracks to one level.
    counted : ndarray of bool
        Tracks that are compared; an unrelated one changes nothing.

    Returns
    -------
    ndarray, shape (n_sources, n_tracks)
    """
    matched = level_db + 20.0 * np.log10(np.maximum(gains, 1e-12))
    return np.asarray(matched - matched[:, counted].mean(axis=1, keepdims=True))


def own_sources(
    level_db: Floats, homes: Sequence[int], gains: Floats, counted: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Find the source each track is there for.

    Parameters
    ----------
    level_db, gains, counted : ndarray
        As for `standing_out_db`.
    homes : sequence of int
        Track each source is at home on: it is there for one of those, where there are some.

    Returns
    -------
    tuple of ndarray
        Place of its source per track, −1 without any; and whether the track is there for all alike.
    """
    n_sources, n_tracks = level_db.shape if len(level_db) else (0, len(gains))
    own = np.full(n_tracks, -1, dtype=np.int64)
    alike = np.zeros(n_tracks, dtype=bool)
    if not n_sources or not counted.any():
        return own, alike
    stands = standing_out_db(level_db, gains, counted)
    at_home = np.asarray(homes)[:, None] == np.arange(n_tracks)
    ranked = np.where(at_home.any(axis=0) & ~at_home, -np.inf, stands)
    own = np.argmax(ranked, axis=0).astype(np.int64)
    top = stands[own, np.arange(n_tracks)]
    if n_sources >= 3:
        alike = top - np.median(stands, axis=0) < STANDS_OUT_DB
        alike &= ~at_home.any(axis=0)
    return own, alike
