"""Positions from tape measures between named points, by least squares with the residuals shown.

Conventions: metres; given positions stay as they are; every tape has the same standard uncertainty.
A set-up that the tapes leave free to turn or move as a whole is fine, since no distance changes; one in
which distances stay open is refused.
"""

import itertools

import numpy as np

from polaritykit.base.errors import InputError
from polaritykit.base.types import Floats, read_only
from polaritykit.jobs.layout.records import PlanPoint, SolvedPoints, Tape, TapeFit

#: Random starts: with fewer, a mirror image that fits less well is sometimes taken for the best.
_STARTS = 24
#: A singular value this small against the largest: the tapes leave this direction open.
_OPEN = 1e-6


def solve_positions(
    points: tuple[PlanPoint, ...], tapes: tuple[Tape, ...], tape_std_m: float
) -> SolvedPoints:
    """Settle the positions of all points.

    Parameters
    ----------
    points : tuple of PlanPoint
        Given positions are fixed; of the others the height may be.
    tapes : tuple of Tape
        Distances between them.
    tape_std_m : float
        Standard uncertainty of one tape; a given position is taken to be as good as a tape.

    Returns
    -------
    SolvedPoints

    Raises
    ------
    InputError
        If the tapes leave a distance open, or two different set-ups fit them equally well.
    """
    frame = _Frame(points, tapes)
    best, *rivals = _fits(frame, tape_std_m)
    coordinates = frame.fill(best)
    basis, inverse = _open_directions(frame, coordinates)
    _refuse_open(frame, coordinates, basis)
    remarks = _mirror_remarks(frame, best, rivals, tape_std_m)

    covariance = np.diag(np.where(frame.given.ravel(), tape_std_m**2 / 2, 0.0))
    index = np.flatnonzero(frame.free.ravel())
    covariance[np.ix_(index, index)] = inverse * tape_std_m**2
    heights = basis.reshape(len(basis), len(points), 3)[:, :, 2]
    return SolvedPoints(
        names=frame.names,
        positions_m=read_only(coordinates),
        covariance_m2=read_only(covariance),
        tapes=_fit_of_tapes(frame, tapes, best, inverse, tape_std_m),
        remarks=remarks,
        free_to_move=len(basis) > 0 or frame.pinned,
        free_in_height=bool(np.any(np.abs(heights) > _OPEN)) or (frame.pinned and not frame.has_heights),
    )


def _fit_of_tapes(
    frame: "_Frame", tapes: tuple[Tape, ...], best: Floats, inverse: Floats, tape_std_m: float
) -> tuple[TapeFit, ...]:
    """Residuals, and which tape is to be suspected.

    A misread tape bends the whole fit towards itself, so that its residual is compared with the share of an
    error that the fit lets show, 1 − JᵀJ's leverage (Baarda, A Testing Procedure for Use in Geodetic
    Networks, 1968; limit 3.29, 0.1 %).  Where few tapes are redundant several are equally suspect.
    """
    if not tapes:
        return ()
    change = frame.jacobian(frame.fill(best), frame.from_, frame.to)[:, frame.free.ravel()]
    shown = np.maximum(1 - np.einsum("ij,jk,ik->i", change, inverse, change), 0.0)
    residuals = frame.residuals(best)
    score = np.where(shown > 1e-6, np.abs(residuals) / (tape_std_m * np.sqrt(np.maximum(shown, 1e-6))), 0.0)
    suspects = (score > 3.29) & (score > 0.95 * score.max())
    return tuple(
        TapeFit(a=tape.a, b=tape.b, length_m=tape.length_m, residual_m=float(-r), suspect=bool(suspect))
        for tape, r, suspect in zip(tapes, residuals, suspects, strict=True)
    )


class _Frame:
    """Which coordinates are free, and the distances as functions of them."""

    def __init__(self, points: tuple[PlanPoint, ...], tapes: tuple[Tape, ...]) -> None:
        self.names = tuple(point.name for point in points)
        number = {name: i for i, name in enumerate(self.names)}
        self.from_, self.to = (
            np.array([number[getattr(tape, end)] for tape in tapes], dtype=int) for end in ("a", "b")
        )
        self.lengths = np.array([tape.length_m for tape in tapes], dtype=np.float64)
        self.start = np.full((len(points), 3), np.nan)
        self.given = np.zeros((len(points), 3), dtype=bool)
        self.has_heights = any(point.height_m is not None for point in points)
        for i, point in enumerate(points):
            if point.position_m is not None:
                self.start[i], self.given[i] = point.position_m, True
            elif point.height_m is not None:
                self.start[i, 2], self.given[i, 2] = point.height_m, True
        self.pinned = not any(point.position_m is not None for point in points)
        if self.pinned:
            self._pin()
        self.free = np.isnan(self.start)
        for i, point in enumerate(points):
            if point.position_m is None and point.roughly_m is not None:
                self.start[i] = np.where(self.free[i], point.roughly_m, self.start[i])

    def _pin(self) -> None:
        """Lay the first point at the origin, the second on the x axis, the third level with them."""
        pins = [(0, 0), (0, 1), (1, 1)]
        if not self.has_heights:
            pins += [(0, 2), (1, 2), (2, 2)]
        for i, axis in pins:
            if i < len(self.names):
                self.start[i, axis] = 0.0

    def fill(self, unknown: Floats) -> Floats:
        """All positions, shape (n, 3), from the free coordinates."""
        coordinates = self.start.copy()
        coordinates[self.free] = unknown
        return coordinates

    def residuals(self, unknown: Floats) -> Floats:
        """Fitted minus measured length of every tape."""
        coordinates = self.fill(unknown)
        fitted = np.linalg.norm(coordinates[self.to] - coordinates[self.from_], axis=1)
        return np.asarray(fitted - self.lengths, dtype=np.float64)

    def jacobian(self, coordinates: Floats, from_: Floats, to: Floats) -> Floats:
        """Change of each distance with each coordinate of each point, shape (n distances, 3n)."""
        apart = coordinates[to] - coordinates[from_]
        unit = apart / np.maximum(np.linalg.norm(apart, axis=1, keepdims=True), 1e-12)
        change = np.zeros((len(to), len(self.names), 3))
        rows = np.arange(len(to))
        change[rows, to] += unit
        change[rows, from_] -= unit
        return change.reshape(len(to), 3 * len(self.names))


def _fits(frame: _Frame, tape_std_m: float) -> list[Floats]:
    """Free coordinates of the best fit over several starts, then of those that fit as well."""
    if not frame.free.any():
        return [frame.start[frame.free]]
    from scipy.optimize import least_squares

    rng = np.random.default_rng(1)
    size = float(max(frame.lengths, default=1.0))
    known = frame.start[~np.isnan(frame.start).any(axis=1)]
    middle = known.mean(axis=0) if len(known) else np.array([0.0, 0.0, size / 2])
    hinted = not np.isnan(frame.start[frame.free]).any()
    fits = []
    for _ in range(1 if hinted else _STARTS):
        guess = np.where(np.isnan(frame.start), middle + rng.normal(0, size, frame.start.shape), frame.start)
        guess[:, 2] = np.where(np.isnan(frame.start[:, 2]), np.abs(guess[:, 2]), guess[:, 2])
        fit = least_squares(frame.residuals, guess[frame.free], x_scale=size, xtol=1e-12, ftol=1e-12)
        fits.append((float(fit.cost), np.asarray(fit.x, dtype=np.float64)))
    fits.sort(key=lambda item: item[0])
    return [x for cost, x in fits if cost - fits[0][0] < 4 * tape_std_m**2]


def _mirror_remarks(frame: _Frame, best: Floats, rivals: list[Floats], tape_std_m: float) -> tuple[str, ...]:
    """Say when a mirror image fits as well; refuse when its distances differ."""
    here = frame.fill(best)
    mirrored = False
    for rival in rivals:
        there = frame.fill(rival)
        gap = np.abs(_all_distances(here) - _all_distances(there)).max(axis=1)
        if gap.max() > 5 * tape_std_m:
            name = frame.names[int(np.argmax(np.where(frame.free.any(axis=1), gap, -1.0)))]
            raise InputError(
                f"Two different set-ups fit the tape measures equally well: add a distance to '{name}', or "
                "its rough place as roughly_m = [x, y, z]."
            )
        mirrored = mirrored or float(np.abs(here - there).max()) > 5 * tape_std_m
    if not mirrored:
        return ()
    return (
        "The tape measures fit a mirror image or a turned copy of this set-up as well; no offset changes.",
    )


def _all_distances(coordinates: Floats) -> Floats:
    """Distance of every point to every other."""
    return np.asarray(np.linalg.norm(coordinates[:, None] - coordinates[None], axis=2), dtype=np.float64)


def _open_directions(frame: _Frame, coordinates: Floats) -> tuple[Floats, Floats]:
    """Motions the tapes do not see, shape (k, 3n), and the pseudo-inverse of JᵀJ (free coordinates)."""
    free = frame.free.ravel()
    change = frame.jacobian(coordinates, frame.from_, frame.to)[:, free]
    unknowns = int(free.sum())
    if unknowns == 0:
        return np.zeros((0, free.size)), np.zeros((0, 0))
    _, singular, rows = np.linalg.svd(np.vstack([change, np.zeros((1, unknowns))]), full_matrices=True)
    padded = np.zeros(unknowns)
    padded[: len(singular)] = singular
    seen = padded > _OPEN * max(padded.max(), 1.0)
    basis = np.zeros((int((~seen).sum()), free.size))
    basis[:, free] = rows[~seen]
    kept = rows[seen]
    return basis, np.asarray((kept.T / padded[seen] ** 2) @ kept, dtype=np.float64)


def _refuse_open(frame: _Frame, coordinates: Floats, basis: Floats) -> None:
    """Raise if an unseen motion changes any distance between two points."""
    ends = np.array(list(itertools.combinations(range(len(frame.names)), 2)), dtype=int).reshape(-1, 2)
    change = frame.jacobian(coordinates, ends[:, 0], ends[:, 1])
    for motion in basis:
        if float(np.abs(change @ motion).max(initial=0.0)) > 1e-4:
            moves = np.linalg.norm(motion.reshape(-1, 3), axis=1)
            name = frame.names[int(np.argmax(moves))]
            raise InputError(
                f"The tape measures leave '{name}' free to move: add a distance between it and another "
                "point, or its height_m or position_m."
            )
