"""All evidence on pairs, source by source, to one sign per track and a margin for every pair.

Every source (a drum, a voice) is a witness.  Its signed evidence on pairs supports one assignment of
signs to the tracks best; what it takes to explain it under another assignment is its objection to that
one.  Objections are limited: a pick can be wrong on one track (its first arrival lost in noise), a source
as a whole (heard from both its sides), however many pairs repeat the error.

Conventions
-----------
weights
    symmetric (n, n) log-odds of one source: positive says "same", negative "inverted", 0 nothing.
margin
    of a pair: by how much the best assignment is better than the best one in which that pair has the
    other sign, signed by the pair's polarity (log-odds).  A whole group of tracks hung from the rest by one
    edge cannot have a margin above that edge; the margin of single tracks could not see that.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, read_only

#: All assignments are tried up to this many tracks; beyond it, those that differ from the best by a likely
#: group.
EXACT_UP_TO = 12
#: Price of taking one source's pick on one track for wrong: about one in twelve is (log 12 = 2.5).
PICK_PRICE = 2.5
#: One source's whole objection is limited: two tracks on its other side are as likely as five.
WITNESS_CAP = 2.0 * PICK_PRICE
#: An edge of this weight lets its tracks be trusted in full; fainter ones in proportion.
FULL_EDGE = 2.4
#: Any two tracks are flipped together up to this many; in a larger group, those that hang together.
_PAIRS_UP_TO = 64
#: States compared with all others at a time: tens of MB.
_STATES_AT_ONCE = 512


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """The most agreeable signs of all tracks."""

    #: +1 or -1 per track; relative within a group.
    signs: NDArray[np.int64]
    #: Connected group of each track.
    group: NDArray[np.int64]
    #: Signed margin per pair, 0 across groups.
    margin: Floats
    #: The smallest signed margin per pair that is left when any one witness is dropped.
    least_margin: Floats


def agree(
    weights: Sequence[Floats],
    witnesses: Sequence[int],
    cuts: Sequence[tuple[float, float]] | None = None,
) -> Agreement:
    """Find the signs that the witnesses object to least, and every pair's margin.

    Parameters
    ----------
    weights : sequence of ndarray, shape (n, n)
        Evidence of each source.
    witnesses : sequence of int
        Which witness each source belongs to: sources with one home track count as one.
    cuts : sequence of (float, float), optional
        Part of the groupings, of 0 to 1, in which each is a source; all when left out.

    Returns
    -------
    Agreement
    """
    from scipy.sparse.csgraph import connected_components

    _, group = connected_components(np.any([weight != 0.0 for weight in weights], axis=0), directed=False)
    said = _statements(weights, witnesses, cuts or [(0.0, 1.0)] * len(weights))
    n = len(group)
    signs = np.ones(n, dtype=np.int64)
    margin, least = np.zeros((n, n)), np.zeros((n, n))
    for part in _apart(group, said):
        members = np.ix_(part, part)
        here = [matrix[members] for matrix in said if matrix[members].any()]
        # In a large group each witness speaks as a whole: memory grows with the square of the tracks.
        few = len(part) <= _PAIRS_UP_TO
        own = [weight[members] for weight in weights if weight[members].any()] if few else here
        signs[part], margin[members], least[members] = _agree_on(own, here)
    for matrix in (margin, least):
        matrix[group[:, None] != group[None, :]] = 0.0
    return Agreement(
        signs=signs,
        group=group.astype(np.int64),
        margin=read_only(margin),
        least_margin=read_only(least),
    )


def _apart(group: NDArray[np.int_], said: Sequence[Floats]) -> list[NDArray[np.int64]]:
    """Return sets of groups of which no witness speaks of two, but for tracks of which nobody speaks.

    A witness that is wrong on one group is worth less on another; sets without a common witness do not
    touch one another, and what they take grows with their own size alone.
    """
    from scipy.sparse.csgraph import connected_components

    together = np.zeros((group.max() + 1,) * 2, dtype=bool)
    for matrix in said:
        spoken = np.unique(group[matrix.any(axis=1)])
        together[np.ix_(spoken, spoken)] = True
    label = connected_components(together, directed=False)[1][group]
    return [np.flatnonzero(label == k) for k in np.flatnonzero(np.bincount(label) > 1)]


def _agree_on(weights: list[Floats], said: list[Floats]) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Find signs, margins and least margins of tracks that have witnesses in common."""
    states = _states(weights)
    objection = np.stack([_objection(states, matrix) for matrix in said])
    summed = objection.sum(axis=0)
    best = states[_first_least(summed, states)]
    margin = _margins(states, summed, best)
    sign = np.sign(margin)
    least = np.abs(margin)
    for row in objection:
        rest = summed - row
        least = np.minimum(least, sign * _margins(states, rest, states[_first_least(rest, states)]))
    return best.astype(np.int64), margin, sign * least


def _first_least(values: Floats, states: Floats) -> int:
    """Index of the least value; among equals the state with the fewest minus signs (the least change)."""
    tied = np.flatnonzero(values <= values.min() + 1e-9)
    flips = np.minimum((states[tied] < 0).sum(axis=1), (states[tied] > 0).sum(axis=1))
    return int(tied[np.argmin(flips)])


def _statements(
    weights: Sequence[Floats], witnesses: Sequence[int], cuts: Sequence[tuple[float, float]]
) -> list[Floats]:
    """Return what each witness says, the mean over the groupings of strokes.

    In one grouping it is the strongest word for each sign of its sources, so that doubt cancels.
    """
    said: dict[int, Floats] = {}
    ends = sorted({0.0, 1.0, *(end for part in cuts for end in part)})
    for low, high in pairwise(ends):
        here: dict[int, tuple[Floats, Floats]] = {}
        for matrix, witness, (first, last) in zip(weights, witnesses, cuts, strict=True):
            if first <= low and high <= last:
                same, inverted = here.get(witness, (0.0 * matrix, 0.0 * matrix))
                here[witness] = np.maximum(same, matrix), np.minimum(inverted, matrix)
        for witness, (same, inverted) in here.items():
            said[witness] = said.get(witness, 0.0) + (high - low) * (same + inverted)
    return [matrix for _, matrix in sorted(said.items())]


def _objection(states: Floats, weights: Floats) -> Floats:
    """Least cost of explaining one source's evidence under each assignment.

    The source may have been picked wrongly on some tracks, at a price per track; whatever its signs were
    then, its edges still have their say.  A wrong pick on one track thus leaves the others their worth, and a
    source that is heard from both its sides costs no more than the price of a source.
    """
    spoken = np.flatnonzero(weights.any(axis=0))
    # Many assignments are one where the source speaks; all of them turned over are another one's equal.
    turned = states[:, spoken] != states[:, spoken[:1]]
    _, first, where = np.unique(np.packbits(turned, axis=1), axis=0, return_index=True, return_inverse=True)
    unlike = np.where(turned[first], -1.0, 1.0)
    own_loss = _loss(unlike, weights[np.ix_(spoken, spoken)])
    strongest = np.abs(weights).max(axis=0)[spoken]
    price = PICK_PRICE * np.minimum(strongest / FULL_EDGE, 1.0)
    likely = np.flatnonzero(own_loss < WITNESS_CAP)
    # Half of (sum of prices - agreement) counts the prices of the tracks that differ; a global flip is none.
    cost = np.empty(len(unlike))
    for at in range(0, len(unlike), _STATES_AT_ONCE):
        rows = slice(at, at + _STATES_AT_ONCE)
        agreement = (unlike[rows] * (0.5 * price)) @ unlike[likely].T
        np.abs(agreement, out=agreement)
        agreement -= own_loss[likely]
        cost[rows] = 0.5 * price.sum() - agreement.max(axis=1)
    return np.asarray(np.minimum(cost, WITNESS_CAP)[where.ravel()])


def _loss(states: Floats, weights: Floats) -> Floats:
    """Return what one source loses under each assignment against its own best, shape (n_states,)."""
    value = 0.5 * np.einsum("sn,sn->s", states @ weights, states)
    return np.asarray(value.max() - value)


def _margins(states: Floats, objection: Floats, best: Floats) -> Floats:
    """Signed margin of every pair: least objection among the states in which it is reversed."""
    n = len(best)
    margin = np.zeros((n, n))
    order = np.argsort(objection, kind="stable")
    turned = np.ascontiguousarray((states[order] * best).T) < 0.0
    for a in range(n):
        apart = turned != turned[a]
        # The states by their objection: the first in which the pair is reversed costs least.
        least = apart.argmax(axis=1)
        known = np.flatnonzero(apart[np.arange(n), least])
        margin[a, known] = best[a] * best[known] * (objection[order[least[known]]] - objection[order[0]])
    return margin


def _states(weights: Sequence[Floats]) -> Floats:
    """Return the assignments to compare, first track +1, shape (n_states, n)."""
    n = weights[0].shape[0]
    if n <= EXACT_UP_TO:
        codes = np.arange(1 << (n - 1))
        states = np.ones((len(codes), n))
        states[:, 1:] -= 2.0 * ((codes[:, None] >> np.arange(n - 1)) & 1)
        return states
    linear = np.sum(weights, axis=0)
    groups = _likely_groups(np.sum(np.abs(weights), axis=0))
    best = np.sign(np.linalg.eigh(linear)[1][:, -1])
    best[best == 0] = 1.0
    while True:
        states = best * groups
        value = 0.5 * np.einsum("sn,sn->s", states @ linear, states)
        if value.max() <= value[0] + 1e-9:
            break
        best = states[int(np.argmax(value))]
    # The witnesses' own favourites and their neighbours (in a large group without them) are compared too.
    near = n + 1 if n <= _PAIRS_UP_TO else 1
    kept = [states]
    for matrix in weights:
        own = np.sign(np.linalg.eigh(matrix)[1][:, -1])
        kept.append(np.where(own == 0, best, own) * groups[:near])
    states = np.concatenate(kept)
    return np.unique(states * states[:, :1], axis=0)


def _likely_groups(strength: Floats) -> Floats:
    """Return sets of tracks to flip together (minus signs), the empty one first; shape (n_sets, n)."""
    from scipy.cluster.hierarchy import linkage

    n = len(strength)
    sets = [np.zeros(n, dtype=bool)] + [np.arange(n) == a for a in range(n)]
    if n <= _PAIRS_UP_TO:
        sets += [(np.arange(n) == a) | (np.arange(n) == b) for a in range(n) for b in range(a)]
    distance = strength.max() - strength
    for method in ("single", "average"):
        members = {a: np.arange(n) == a for a in range(n)}
        for row, (a, b, *_) in enumerate(linkage(distance[np.triu_indices(n, 1)], method=method)):
            members[n + row] = members[int(a)] | members[int(b)]
            sets.append(members[n + row])
    return np.where(np.array(sets), -1.0, 1.0)
