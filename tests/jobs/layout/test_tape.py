"""Positions from tapes: places put in come out again with their uncertainty, misread tapes are named."""

import itertools
import math

import numpy as np
import pytest

from polaritykit.base.errors import InputError
from polaritykit.jobs.layout.records import PlanPoint, Tape
from polaritykit.jobs.layout.tape import solve_positions

POINTS = {
    "a": (0.0, 0.0, 1.5),
    "b": (1.3, 0.2, 1.1),
    "c": (0.4, 1.9, 0.7),
    "d": (1.1, 1.2, 2.0),
    "e": (-0.6, 0.9, 0.4),
}


def tapes(noise_m=0.0, seed=0):
    """All distances between the points, rounded by nobody."""
    rng = np.random.default_rng(seed)
    return tuple(
        Tape(a=a, b=b, length_m=math.dist(POINTS[a], POINTS[b]) + rng.normal(0, noise_m))
        for a, b in itertools.combinations(POINTS, 2)
    )


def test_positions_from_tapes():
    """Three known points, not in the way of the others' side: the rest is found (trilateration)."""
    points = tuple(
        PlanPoint(
            name=n,
            position_m=p if n in "abc" else None,
            roughly_m=None if n in "abc" else (p[0], p[1] + 0.3, p[2]),
        )
        for n, p in POINTS.items()
    )
    solved = solve_positions(points, tapes(), 0.01)

    np.testing.assert_allclose(solved.positions_m, list(POINTS.values()), atol=1e-6)
    assert max(abs(fit.residual_m) for fit in solved.tapes) < 1e-6
    assert not solved.free_to_move


def test_tapes_alone_give_the_distances():
    """Without any position the set-up may turn, but every distance is right, and heights are not known."""
    solved = solve_positions(tuple(PlanPoint(name=n) for n in POINTS), tapes(), 0.01)
    found = np.linalg.norm(solved.positions_m[:, None] - solved.positions_m[None], axis=2)

    np.testing.assert_allclose(
        found, [[math.dist(p, q) for q in POINTS.values()] for p in POINTS.values()], atol=1e-6
    )
    assert solved.free_to_move
    assert solved.free_in_height


def test_uncertainty_of_solved_positions():
    """Spread over 60 noisy tape sets against the covariance of the least squares (Gauss-Markov)."""
    points = tuple(
        PlanPoint(name=n, position_m=p if n in "abc" else None, roughly_m=None if n in "abc" else p)
        for n, p in POINTS.items()
    )
    runs = [solve_positions(points, tapes(0.01, seed), 0.01) for seed in range(60)]
    spread = np.std([run.positions_m[3:].ravel() for run in runs], axis=0)
    predicted = np.sqrt(np.diag(runs[0].covariance_m2))[9:]

    np.testing.assert_allclose(spread, predicted, rtol=0.35)  # 3 sigma of a std from 60 runs


def test_a_misread_tape_is_named():
    """One tape read 20 cm too long stands out, though the fit bends towards it (Baarda's test)."""
    wrong = list(tapes())
    wrong[4] = Tape(a=wrong[4].a, b=wrong[4].b, length_m=wrong[4].length_m + 0.2)
    # Heights are known: enough is redundant to tell which tape it is.
    known = solve_positions(
        tuple(PlanPoint(name=n, height_m=p[2]) for n, p in POINTS.items()), tuple(wrong), 0.01
    )

    assert [(fit.a, fit.b) for fit in known.tapes if fit.suspect] == [(wrong[4].a, wrong[4].b)]
    assert not any(
        fit.suspect
        for fit in solve_positions(tuple(PlanPoint(name=n) for n in POINTS), tapes(0.01), 0.01).tapes
    )


def test_open_tapes_are_refused():
    """Too few distances leave a point free; a mirror image with other distances is ambiguous."""
    few = tuple(tape for tape in tapes() if "e" not in (tape.a, tape.b)) + tapes()[3:4]
    with pytest.raises(InputError, match="leave 'e' free to move"):
        solve_positions(tuple(PlanPoint(name=n) for n in POINTS), few, 0.01)
    two_sided = (
        PlanPoint(name="a", position_m=(0, 0, 1)),
        PlanPoint(name="b", position_m=(2, 0, 1)),
        PlanPoint(name="c", height_m=1.0),
        PlanPoint(name="d", position_m=(1, 5, 1)),
    )
    lengths = (Tape(a="a", b="c", length_m=1.5), Tape(a="b", b="c", length_m=1.5))
    with pytest.raises(InputError, match="equally well"):
        solve_positions(two_sided, lengths, 0.01)
