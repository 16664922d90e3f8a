"""Pairs in sustained sound over the take to the tracks that changed: another clock, a move, a switch.

Tracks whose pairs are at rest move together; what changed against the largest such group is told.

Conventions: as in `polaritykit.changes.motion`.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from polaritykit.changes.frame_lags import PairLags
from polaritykit.changes.motion import TOGETHER_S, Motion, Step


def frame_motions(lags: Sequence[PairLags], n_tracks: int, duration_s: float) -> tuple[Motion, ...]:
    """Find the tracks that changed from the lags of all pairs of sustained sound.

    Tracks whose pairs are at rest move together; a pair that changed counts only between two such groups.

    Parameters
    ----------
    lags : sequence of PairLags
    n_tracks : int
    duration_s : float
        Length of the take.

    Returns
    -------
    tuple of Motion
        Of the tracks that changed; empty where none did.
    """
    moved = [pair for pair in lags if pair.verdict in ("drift", "step")]
    if not moved:
        return ()
    group = list(range(n_tracks))
    for pair in lags:
        if pair.verdict == "rest" and group[pair.a] != group[pair.b]:
            old, new = group[pair.b], group[pair.a]
            group = [new if label == old else label for label in group]
    across = [pair for pair in moved if group[pair.a] != group[pair.b]]
    followed = {track for pair in lags if pair.verdict != "unknown" for track in (pair.a, pair.b)}
    # The largest group stays, the first in a tie; what is linked to it by a change moved against it.
    sizes = {label: sum(group[track] == label for track in followed) for label in group}
    stays = max(dict.fromkeys(group), key=lambda label: sizes[label])
    motions = []
    for label in dict.fromkeys(group):
        links = [_turned(pair) if group[pair.a] == label else pair for pair in across]
        links = [pair for pair in links if group[pair.b] == label and group[pair.a] == stays]
        motion = _group_motion(links, duration_s) if label != stays else None
        if motion is not None:
            motions += [replace(motion, track=track) for track in range(n_tracks) if group[track] == label]
    return tuple(motions)


def _turned(pair: PairLags) -> PairLags:
    """Return the same pair the other way round."""
    return replace(pair, a=pair.b, b=pair.a, rate=-pair.rate, jump_s=-pair.jump_s)


def _group_motion(links: Sequence[PairLags], duration_s: float) -> Motion | None:
    """Return what most links of a group to the tracks that stayed say; None where they do not agree."""
    drifts = [link for link in links if link.verdict == "drift"]
    steps = [link for link in links if link.verdict == "step"]
    if drifts and len(drifts) >= len(steps):
        best = min(drifts, key=lambda link: link.rate_std)
        return Motion(track=-1, rate=best.rate, rate_std=best.rate_std, duration_s=duration_s)
    if not steps:
        return None
    time_s = float(np.median([step.time_s for step in steps]))
    near = [step for step in steps if abs(step.time_s - time_s) <= TOGETHER_S]
    flip = 2 * sum(step.flip for step in near) > len(near)
    jumps = [step.jump_s for step in near if step.flip == flip]
    if 2 * len(near) <= len(steps) or not jumps:
        return None
    return Motion(
        track=-1,
        steps=(Step(time_s=time_s, jump_s=float(np.median(jumps)), flip=flip),),
        duration_s=duration_s,
    )
