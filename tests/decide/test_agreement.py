"""Agreement of signed evidence against brute force written as the definition reads, and textbook balance."""

import tracemalloc
from itertools import combinations, product

import numpy as np
import pytest

from polaritykit.decide.agreement import EXACT_UP_TO, FULL_EDGE, PICK_PRICE, WITNESS_CAP, agree
from polaritykit.decide.conclusion import DECIDE_MARGIN


def edges(n, *given):
    """Symmetric evidence from (a, b, log-odds)."""
    matrix = np.zeros((n, n))
    for a, b, value in given:
        matrix[a, b] = matrix[b, a] = value
    return matrix


def objection_to(signs, matrices):
    """Least price of explaining a witness under an assignment, by trying every explanation.

    A witness with several sources says the strongest word for each sign.  An explanation is a set of tracks
    picked wrongly, each at its price, and edges broken at their worth.
    """
    n = len(signs)
    pairs = list(combinations(range(n), 2))
    matrix = np.zeros((n, n))
    for a, b in pairs:
        words = [matrix_of_one[a, b] for matrix_of_one in matrices]
        matrix[a, b] = matrix[b, a] = max(*words, 0.0) + min(*words, 0.0)
    price = [PICK_PRICE * min(max(abs(matrix[a, b]) for b in range(n)) / FULL_EDGE, 1.0) for a in range(n)]
    worth = {own: sum(matrix[a, b] * own[a] * own[b] for a, b in pairs) for own in product((1, -1), repeat=n)}
    best = max(worth.values())
    costs = [
        best - value + sum(price[a] for a in range(n) if own[a] != signs[a]) for own, value in worth.items()
    ]
    return min(*costs, WITNESS_CAP)


def brute_force(weights, witnesses):
    """Margins of all pairs by trying everything; slow and plain."""
    n = len(weights[0])
    total = {}
    for signs in product((1, -1), repeat=n):
        total[signs] = sum(
            objection_to(signs, [w for w, name in zip(weights, witnesses, strict=True) if name == who])
            for who in set(witnesses)
        )
    least = min(total.values())
    margin = np.zeros((n, n))
    for a, b in combinations(range(n), 2):
        same = min(value for signs, value in total.items() if signs[a] == signs[b])
        other = min(value for signs, value in total.items() if signs[a] != signs[b])
        margin[a, b] = margin[b, a] = other - same
    return margin, least, total


@pytest.mark.parametrize("seed", range(12))
def test_margins_equal_brute_force(seed):
    """Random evidence of several witnesses, some contradicting themselves, some with two sources."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 6))
    witnesses = [0, 1, 1, 2][: int(rng.integers(1, 5))]
    weights = []
    for _ in witnesses:
        upper = np.triu(rng.normal(0, 2, (n, n)) * (rng.random((n, n)) < 0.7), 1)
        weights.append(upper + upper.T)
    found = agree(weights, witnesses)
    margin, least, total = brute_force(weights, witnesses)
    apart = found.group[:, None] != found.group[None, :]

    assert found.margin[~apart] == pytest.approx(margin[~apart], abs=1e-9)
    assert np.all(found.margin[apart] == 0)
    assert total[tuple(int(s) for s in found.signs)] == pytest.approx(least, abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_least_margin_is_the_worst_of_leaving_one_witness_out(seed):
    """Each witness struck out in turn, by calling the module anew."""
    rng = np.random.default_rng(100 + seed)
    n, witnesses = 4, [0, 1, 2]
    weights = []
    for _ in witnesses:
        upper = np.triu(rng.normal(1, 1.5, (n, n)), 1)
        weights.append(upper + upper.T)
    found = agree(weights, witnesses)
    others = [found.margin] + [
        brute_force([w for k, w in enumerate(weights) if k != out], [w for w in witnesses if w != out])[0]
        for out in witnesses
    ]
    least = np.where(found.margin >= 0, np.min(others, axis=0), np.max(others, axis=0))

    assert found.least_margin[np.triu_indices(n, 1)] == pytest.approx(least[np.triu_indices(n, 1)], abs=1e-9)


def test_a_balanced_triangle_is_taken_as_it_is():
    """Harary 1953 (from memory): signs with an even number of minus edges round every circle can be met."""
    found = agree([edges(3, (0, 1, 2.0), (1, 2, -2.0), (0, 2, -2.0))], [0])

    assert list(found.signs * found.signs[0]) == [1, 1, -1]
    assert np.sign(found.margin[[0, 1, 0], [1, 2, 2]]).tolist() == [1, -1, -1]


def test_an_unbalanced_triangle_gives_up_its_weakest_edge():
    """One minus edge in three cannot be met; the weakest goes, and no margin exceeds what is left of it."""
    found = agree([edges(3, (0, 1, 2.0), (1, 2, 2.0), (0, 2, -0.5))], [0])

    assert len(set(found.signs.tolist())) == 1
    assert 0 < found.margin[0, 2] <= PICK_PRICE * 2.0 / FULL_EDGE + 1e-9


def test_one_wrong_pick_does_not_silence_a_source():
    """A source wrong on track 4 alone still speaks for tracks 0 to 3 where a witness knows better of 4."""
    n = 5
    wrong = edges(n, *((a, b, -2.4 if b == 4 else 2.4) for a, b in combinations(range(n), 2)))
    knows = edges(n, *((a, 4, 2.4) for a in range(2)))
    other = edges(n, *((a, 4, 2.4) for a in range(2, 4)))
    found = agree([wrong, knows, other], [0, 1, 2])

    assert found.margin[0, 1] >= PICK_PRICE - 1e-9
    assert found.margin[0, 4] > 0


def test_one_witness_is_never_more_than_its_cap():
    """Repeating an error on many pairs does not make it surer; one track is worth one pick."""
    n = 6
    many = np.full((n, n), -5.0)
    np.fill_diagonal(many, 0.0)
    found = agree([edges(n, *((0, b, 50.0) for b in range(1, n)))], [0])

    assert np.abs(found.margin).max() == pytest.approx(PICK_PRICE)
    assert np.abs(agree([many], [0]).margin).max() <= WITNESS_CAP


def test_two_sources_at_one_home_count_once():
    """A soft and a hard snare are one witness: sources with one home share one price."""
    matrix = edges(2, (0, 1, 50.0))

    assert agree([matrix, matrix], [0, 0]).margin[0, 1] == pytest.approx(PICK_PRICE)
    assert agree([matrix, matrix], [0, 1]).margin[0, 1] == pytest.approx(2 * PICK_PRICE)


def test_two_witnesses_outvote_one():
    """The dissenting source is overruled, and the pair's margin is what is left."""
    two, one = edges(3, (0, 1, 50.0), (1, 2, 50.0)), edges(3, (0, 1, -50.0), (1, 2, 50.0))
    found = agree([two, two, one], [0, 1, 2])

    assert found.margin[0, 1] == pytest.approx(PICK_PRICE)
    # The dissenter explains either answer about tracks 1 and 2 by one wrong pick: it adds nothing.
    assert found.margin[1, 2] == pytest.approx(2 * PICK_PRICE)
    assert agree([one], [2]).margin[0, 1] == pytest.approx(-PICK_PRICE)
    # Without one of the two the votes are even: not strong.
    assert found.least_margin[0, 1] == pytest.approx(0.0)


def test_nothing_is_said_across_groups():
    """Tracks that share no evidence have no relative sign."""
    found = agree([edges(4, (0, 1, 50.0), (2, 3, -50.0))], [0])

    assert found.group[0] == found.group[1] != found.group[2] == found.group[3]
    assert np.all(found.margin[:2, 2:] == 0.0)


def test_a_chain_hangs_on_its_weakest_link():
    """A group of tracks tied to the rest by one weak edge is no surer than that edge, however sure inside."""
    weak = 0.4 * FULL_EDGE
    found = agree([edges(4, (0, 1, 50.0), (1, 2, weak), (2, 3, 50.0))], [0])

    assert found.margin[0, 3] == pytest.approx(found.margin[1, 2])
    assert found.margin[1, 2] <= min(weak * 2, WITNESS_CAP * 0.4) + 1e-9
    assert found.margin[0, 1] > found.margin[1, 2]


@pytest.mark.parametrize("seed", range(4))
def test_more_tracks_than_can_be_tried_follow_planted_signs(seed):
    """Twenty-four tracks, six witnesses, a tenth of the edges wrong: the planted signs come back."""
    rng = np.random.default_rng(seed)
    n = 2 * EXACT_UP_TO
    signs = rng.choice([1, -1], n)
    weights = []
    for _ in range(6):
        size = rng.uniform(1.0, 2.4, (n, n)) * (rng.random((n, n)) < 0.3)
        wrong = np.where(rng.random((n, n)) < 0.1, -1, 1)
        upper = np.triu(np.outer(signs, signs) * size * wrong, 1)
        weights.append(upper + upper.T)
    found = agree(weights, list(range(6)))
    decided = np.abs(found.margin) >= DECIDE_MARGIN

    assert np.array_equal(found.signs * found.signs[0], signs * signs[0])
    assert np.all(np.sign(found.margin[decided]) == np.outer(signs, signs)[decided])
    assert decided.sum() > 0.5 * n * (n - 1)


@pytest.mark.parametrize("seed", range(3))
def test_flipping_a_track_flips_exactly_its_margins(seed):
    """Equivariance: turning one track's evidence turns its row and column and nothing else."""
    rng = np.random.default_rng(seed)
    n, track = 7, 3
    weights = []
    for _ in range(3):
        upper = np.triu(rng.normal(0.5, 1.5, (n, n)), 1)
        weights.append(upper + upper.T)
    turn = np.ones((n, n))
    turn[track] *= -1
    turn[:, track] *= -1
    before, after = (agree(w, [0, 1, 2]) for w in (weights, [w * turn for w in weights]))

    assert after.margin == pytest.approx(before.margin * turn, abs=1e-9)
    assert after.least_margin == pytest.approx(before.least_margin * turn, abs=1e-9)


def test_memory_grows_with_the_square_of_the_tracks() -> None:
    """160 tracks and witnesses: a list of their matrices takes 33 MB; all pairs of states took 1.3 GB."""
    n = 160
    rng = np.random.default_rng(0)
    true = rng.choice([-1.0, 1.0], n)
    weights = []
    for home in range(n):
        matrix = np.zeros((n, n))
        matrix[home] = matrix[:, home] = 3.0 * true * true[home]
        matrix[home, home] = 0.0
        weights.append(matrix)
    tracemalloc.start()
    found = agree(weights, range(n))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 3e8
    assert np.array_equal(found.signs * found.signs[0], true * true[0])
    assert np.array_equal(np.sign(found.margin + np.eye(n)), np.outer(true, true))


def test_groups_without_a_common_witness_are_settled_apart() -> None:
    """Two sessions side by side tell of each what it tells alone (nothing links them)."""
    rng = np.random.default_rng(4)
    alone = []
    for n in (9, 14):
        noisy = np.triu(rng.normal(2.0, 2.0, (3, n, n)), 1)
        alone.append([matrix + matrix.T for matrix in noisy])
    both = [np.zeros((23, 23)) for _ in range(6)]
    for number, (first, matrices) in enumerate(zip((0, 9), alone, strict=True)):
        for k, matrix in enumerate(matrices):
            both[3 * number + k][first : first + len(matrix), first : first + len(matrix)] = matrix
    found = agree(both, range(6))
    for first, matrices in zip((0, 9), alone, strict=True):
        part = slice(first, first + len(matrices[0]))
        one = agree(matrices, range(3))
        assert np.array_equal(found.margin[part, part], one.margin)
        assert np.array_equal(found.least_margin[part, part], one.least_margin)
    assert not found.margin[:9, 9:].any()


def test_a_source_counts_by_the_groupings_in_which_it_stands():
    """Two sources of one home in turn, each in half of the groupings, are one that says the mean of both."""
    first, second = edges(3, (0, 1, 2.0), (1, 2, 1.0)), edges(3, (0, 1, 1.0), (1, 2, 2.0))
    in_turn = agree([first, second], [0, 0], [(0.0, 0.5), (0.5, 1.0)])
    mean = agree([0.5 * (first + second)], [0])

    assert in_turn.margin == pytest.approx(mean.margin)
    assert in_turn.margin[0, 1] > 0.0


def test_a_source_that_stands_nowhere_says_nothing():
    """In none of the groupings: as if it were not there."""
    first, second = edges(3, (0, 1, 2.0)), edges(3, (0, 1, -2.4))
    alone = agree([first], [0])

    assert agree([first, second], [0, 1], [(0.0, 1.0), (0.3, 0.3)]).margin == pytest.approx(alone.margin)
