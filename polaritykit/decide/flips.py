"""Which side of a group of tracks to flip: fewest, and not what the session hangs from.

Relative polarity cannot tell which of two sides is wired backwards; an absolute reference can, and
overrules this.

Conventions: signs ±1 per track, relative within a group of tracks whose signs hang together.
"""

from collections.abc import Collection, Mapping, Sequence

import numpy as np

from polaritykit.base.types import Floats


def groups_of(n_tracks: int, decided: Collection[tuple[int, int]]) -> tuple[tuple[int, ...], ...]:
    """Tracks that hang together by decided pairs, in session order."""
    label = list(range(n_tracks))
    for a, b in decided:
        if label[a] != label[b]:
            old, new = label[b], label[a]
            label = [new if found == old else found for found in label]
    return tuple(tuple(t for t in range(n_tracks) if label[t] == found) for found in dict.fromkeys(label))


def side_to_flip(
    group: Sequence[int],
    signs: Floats | Sequence[int],
    *,
    protected: Sequence[Collection[int]] = (),
    weights: Sequence[int] | None = None,
    upright: Mapping[int, float] | None = None,
) -> tuple[int, ...]:
    """Choose the side of one group that is flipped.

    Parameters
    ----------
    group : sequence of int
    signs : sequence of ±1
        Per track of the session.
    protected : sequence of collections of int
        Tracks not to be flipped where another choice is equal, those that matter most first: the anchor and
        its pair, other pairs, direct lines.
    weights : sequence of int, optional
        Flips that each track stands for (a track with copies: more than one); one each when left out.
    upright : mapping of int to float, optional
        Log odds that a track itself is the right way round, from an absolute reference such as a voice; it
        decides between sides that cost as many flips.

    Returns
    -------
    tuple of int

    Examples
    --------
    Two against two: the side without the anchor, track 3, is flipped.

    >>> side_to_flip([0, 1, 2, 3], [1, 1, -1, -1], protected=[{3}])
    (0, 1)

    Unless a voice on track 0 is the right way round:

    >>> side_to_flip([0, 1, 2, 3], [1, 1, -1, -1], protected=[{3}], upright={0: 3.0})
    (2, 3)
    """
    count = np.ones(max(group, default=0) + 1, dtype=int) if weights is None else np.asarray(weights)
    sides = [tuple(t for t in group if signs[t] < 0), tuple(t for t in group if signs[t] >= 0)]

    known = upright or {}

    def cost(side: tuple[int, ...]) -> tuple[float, ...]:
        flips = int(sum(count[t] for t in side))
        # A track that is flipped should have been upside down.
        against = sum(known.get(t, 0.0) for t in side)
        return (flips, against, *(len(set(side) & set(kept)) for kept in protected))

    return min(sides, key=cost)
