"""Strokes that are one track's own: it gets loud with them, and no other one does as much.

For drums struck too seldom to be told apart by the strokes themselves: a mic close to such a drum still tells
when it is struck.

Conventions: levels of onsets against each track's own loudest ones, so that gains do not matter; samples as
recorded.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Recording
from polaritykit.struck.onsets import MERGE_MS, STRONG_RANGE_DB, Onsets, below_loudest_db
from polaritykit.struck.sources import MOST_HITS
from polaritykit.struck.stroke_alignment import stroke_shifts
from polaritykit.struck.windows import HitWindows

#: A stroke is a track's own where all others lie this much further below their loudest ones: as a close mic
#: hears its own source at twice the amplitude at which it hears what is usual there.
_OWN_DB = 6.0
#: Fewer tell nothing of what they have in common.
_FEWEST = 3
#: Others hear a stroke within this: a path, and converters apart (common practice, no source).
_REACH_MS = MERGE_MS + 5.0
#: Strokes are laid on each other by this much about their onsets.
_ABOUT_MS = 20.0


def own_strokes(
    recording: Recording, onsets: Onsets, tracks: Sequence[int], others: Sequence[int]
) -> dict[int, NDArray[np.int64]]:
    """Find the strokes of tracks that are theirs alone.

    Parameters
    ----------
    recording : Recording
        Read around the strokes found.
    onsets : Onsets
        Of all tracks, in any order.
    tracks : sequence of int
        Tracks asked for.
    others : sequence of int
        Tracks they are held against: those that are there for one sound each.

    Returns
    -------
    dict of track to ndarray of int
        When it hears each, samples, in time order; tracks with fewer than three are left out.
    """
    at, level = _by_track(onsets, {*tracks, *others})
    reach = round(_REACH_MS * 1e-3 * recording.sample_rate_hz)
    found = {}
    for track in tracks:
        if track not in at:
            continue
        own = np.flatnonzero(level[track] >= -STRONG_RANGE_DB)
        over = np.full(len(level[track]), np.inf)
        for other in (t for t in others if t != track and t in at):
            near = _near(at[track][own], at[other], level[other], reach)
            over[own] = np.minimum(over[own], level[track][own] - near)
            own = own[over[own] >= _OWN_DB]
            if not len(own):
                break
        own = np.sort(own[np.argsort(-over[own], kind="stable")[:MOST_HITS]])
        if len(own) >= _FEWEST:
            found[track] = _in_step(recording, track, at[track][own])
    return found


def _by_track(onsets: Onsets, tracks: set[int]) -> tuple[dict[int, NDArray[np.int64]], dict[int, Floats]]:
    """When each track's onsets are, and how loud against its own loudest."""
    at, level = {}, {}
    for track in sorted(tracks):
        own = onsets[onsets["track"] == track]
        if len(own):
            own = own[np.argsort(own["sample"], kind="stable")]
            at[track], level[track] = own["sample"], below_loudest_db(own["level_db"])
    return at, level


def _near(moments: NDArray[np.int64], at: NDArray[np.int64], level_db: Floats, reach: int) -> Floats:
    """Level of a track's loudest onset near each moment, far down where there is none."""
    first, stop = np.searchsorted(at, moments - reach), np.searchsorted(at, moments + reach, side="right")
    far_down = -2.0 * STRONG_RANGE_DB
    # Every other run lies between two that are asked for.
    runs = np.maximum.reduceat(np.append(level_db, far_down), np.stack([first, stop], axis=1).ravel())[::2]
    return np.where(stop > first, np.maximum(runs, far_down), far_down)


def _in_step(recording: Recording, track: int, at: NDArray[np.int64]) -> NDArray[np.int64]:
    """Lay strokes on each other by their waveform in their track."""
    windows = HitWindows.cut(recording, at, lead_ms=_ABOUT_MS, tail_ms=_ABOUT_MS, tracks=(track,))
    return at + stroke_shifts(windows.samples[:, 0], windows.zero, recording.sample_rate_hz)
