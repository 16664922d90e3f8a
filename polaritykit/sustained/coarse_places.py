"""Places where pieces of one take fit in another, and the straight lines of lag over time they lie on.

Conventions
-----------
samples at the low rate throughout; lag: place in the longer take less place in the shorter one, over the
shorter one's own time.

References
----------
Fischler, M. A. & Bolles, R. C. (1981), CACM 24(6), 381-395, for lines through few of many points.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats
from polaritykit.sustained.whitened import LOW_RATE_HZ, Real, fit, stretched, vertex, whitened

#: A piece: long enough that its fit stands out of an hour (5 s hold 33 000 independent values: 5 % of shared
#: sound is 9 standard deviations), short enough that 100 ppm move it by half a millisecond only.
PIECE = 5 * LOW_RATE_HZ
_SEARCH_SIZE = 2**17
#: All of a take is searched at half the rate.
_THINNED = 2
#: One place at most per so many samples of a search: the next loop or beat counts, the same reflection not.
_APART = LOW_RATE_HZ // 4
_PLACES_PER_PIECE = 6
#: Clocks: crystals keep 100 ppm between them; beyond 250 there is a wrong sample rate.
MOST_SLOPE = 250e-6
_SLOPE_STEP = 62.5e-6
#: Fits on one line within this: a player who moves by 0.7 m, or another reflection.
ON_LINE = 0.002 * LOW_RATE_HZ
#: Chance that anything unrelated reaches a fit near a given place; with four on one line it is nothing.
_CHANCE = 0.01
FEWEST_PIECES, _LEAST_SHARE, LEAST_SHARED_S = 4, 0.4, 20.0
CHECKED, MEASURED = 16, 48
#: Same place: first reflections and two sources are nearer than this; strong reflections come within that.
SAME_PLACE = 0.006 * LOW_RATE_HZ
REFLECTIONS = 0.05 * LOW_RATE_HZ
#: Best of all lags of an hour by chance: sqrt(2·ln(3·10⁷)) = 5.9; a little less may still be right.
_LEAST_PROPOSED = 5.5
_MOST_PLACES = 12
#: A piece of the very same sound is not timed sharper than this at the low rate (samples).
_GRID_STD = 0.002
#: Below this against its own loudest pieces a piece holds nothing to be sought.
_QUIET_DB = 40.0


@dataclass(frozen=True, kw_only=True)
class Line:
    """Lag of pieces of the shorter take over their start: place in the longer one less place here."""

    lag: float
    at: float
    slope: float

    def __call__(self, start: Any) -> Any:
        """Lag at one start, or at many."""
        return self.lag + self.slope * (start - self.at)


@dataclass(frozen=True, kw_only=True)
class Place:
    """A line, and the pieces that were compared along it."""

    line: Line
    starts: Floats
    lags: Floats
    #: 0 where chance does as well.
    z: Floats
    on: NDArray[np.bool_]


class Takes:
    """Both takes, and the fit of pieces of the shorter one in the longer one."""

    def __init__(self, longer: Real, shorter: Real) -> None:
        self.longer, self.shorter = longer, shorter

    def loud(self, starts: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the starts of those pieces that hold something."""
        power = np.array([float(np.mean(self.shorter[s : s + PIECE] ** 2)) for s in starts])
        kept: NDArray[np.int64] = starts[
            (power > 0) & (power > power.max(initial=0.0) * 10 ** (-_QUIET_DB / 10))
        ]
        return kept

    def overlap(self, line: Line) -> tuple[int, int]:
        """Span of the shorter take that also lies in the longer one."""
        begin, end = max(0, math.ceil(-line(0.0))), len(self.shorter)
        return begin, min(end, math.floor(len(self.longer) - line(float(end))))

    def spread(self, line: Line, count: int) -> NDArray[np.int64]:
        """Spread pieces evenly over the overlap; none where it is too short to tell anything."""
        begin, end = self.overlap(line)
        if end - begin < LEAST_SHARED_S * LOW_RATE_HZ:
            return np.zeros(0, np.int64)
        # At most half overlapping: more would be the same evidence again.
        count = min(count, 2 * ((end - begin) // PIECE) - 1)
        return self.loud(np.linspace(begin, end - PIECE, count).astype(np.int64))

    def curve(self, start: int, lag: int, reach: int, slope: float, *, signed: bool = False) -> Real:
        """Fit of a piece at lags around a given one.

        Parameters
        ----------
        start : int
            Where the piece begins in the shorter take.
        lag, reach : int
            Lags from ``lag - reach`` to ``lag + reach``.
        slope : float
            Drift that the piece is read with.
        signed : bool
            Negative where the two are upside down.
        """
        from scipy import fft

        piece = stretched(self.shorter[start : start + PIECE], 1e6 * slope)
        first = start + lag - reach
        stop = first + len(piece) + 2 * reach
        stretch = self.longer[max(first, 0) : max(stop, 0)]
        stretch = np.pad(stretch, (max(-first, 0), 0))
        size = fft.next_fast_len(len(piece) + 2 * reach, real=True)
        return fit(whitened(stretch, size), whitened(piece, size), size, signed=signed)[: 2 * reach + 1]


def from_both_ends(n_samples: int) -> NDArray[np.int64]:
    """Place pieces densely at both ends: a short overlap of two long takes lies there, or is all of one."""
    last = n_samples - PIECE
    steps = [0.0]
    while steps[-1] < last / 2:
        steps.append(steps[-1] + max(PIECE, 0.35 * steps[-1]))
    inside = np.array(steps[:-1])
    return np.unique(np.concatenate([inside, last - inside]).astype(np.int64))


def proposals(
    takes: Takes, starts: NDArray[np.int64], ppms: list[float]
) -> list[tuple[float, float, float, float]]:
    """Look for all pieces in all of the longer take.

    Parameters
    ----------
    takes : Takes
    starts : ndarray of int
        Where the pieces begin.
    ppms : list of float
        Drifts that each piece is read with.

    Returns
    -------
    list of tuple
        Fit z, start of the piece, lag, drift tried: the best few of each piece, the best of all first.
    """
    size, hop = _SEARCH_SIZE, (_SEARCH_SIZE - PIECE) // _APART * _APART - _APART
    asked = [(int(s), ppm) for s in starts for ppm in ppms]
    spectra = [whitened(stretched(takes.shorter[s : s + PIECE], ppm), size) for s, ppm in asked]
    best = np.zeros((len(asked), 0, 2))
    # Pieces may begin before the longer take does.
    for at in range(-PIECE, len(takes.longer), hop):
        stretch = np.pad(takes.longer[max(at, 0) : at + size], (max(-at, 0), 0))
        spectrum = whitened(stretch, size)
        found = np.empty((len(asked), hop // _APART, 2))
        for row, piece in enumerate(spectra):
            cells = fit(spectrum, piece, size, thinned=_THINNED)[: hop // _THINNED].reshape(
                -1, _APART // _THINNED
            )
            where = cells.argmax(axis=1)
            found[row, :, 0] = cells[np.arange(len(cells)), where]
            found[row, :, 1] = at + np.arange(len(cells)) * _APART + where * _THINNED
        best = np.concatenate([best, found], axis=1)
        order = np.argsort(-best[:, :, 0], axis=1)[:, :_PLACES_PER_PIECE]
        best = np.take_along_axis(best, order[:, :, None], axis=1)
    return sorted(
        (
            (float(z), float(start), float(where - start), ppm)
            for (start, ppm), places in zip(asked, best, strict=True)
            for z, where in places
        ),
        reverse=True,
    )


def believed(
    takes: Takes, proposals: list[tuple[float, float, float, float]], reach_ppm: dict[float, float]
) -> list[Place]:
    """Give the places where enough other pieces fit too, best first.

    Parameters
    ----------
    takes : Takes
    proposals : list of tuple
        As the function of that name gives them.
    reach_ppm : dict
        For each drift tried, how far from it the true one may be.
    """
    places: list[Place] = []
    for z, start, lag, ppm in proposals:
        if z < _LEAST_PROPOSED or len(places) >= _MOST_PLACES:
            break
        if any(abs(place.line(start) - lag) < REFLECTIONS for place in places):
            continue
        place = checked(takes, Line(lag=lag, at=start, slope=1e-6 * ppm), 1e-6 * reach_ppm[ppm])
        # Two proposals may lead to one line.
        if place and not any(abs(one.line(start) - place.line(start)) < REFLECTIONS for one in places):
            places.append(place)
    return sorted(places, key=lambda one: -float(one.z[one.on].sum()))


def checked(takes: Takes, seed: Line, reach_slope: float) -> Place | None:
    """Look at other pieces near a proposed place, and lay a line through the places where they fit.

    Parameters
    ----------
    takes : Takes
    seed : Line
        The proposal, with the drift it was read with.
    reach_slope : float
        How far from that drift the true one may be.
    """
    starts = takes.spread(seed, CHECKED)
    lags, z = np.zeros(len(starts)), np.zeros(len(starts))
    for k, start in enumerate(starts.tolist()):
        reach = math.ceil(SAME_PLACE + reach_slope * abs(start - seed.at))
        lag = round(seed(start))
        curve = takes.curve(start, lag, reach, seed.slope)
        top = int(curve.argmax())
        lags[k] = lag - reach + vertex(curve, top)
        z[k] = curve[top] if curve[top] > by_chance(len(curve)) else 0.0
    return on_one_line(starts.astype(float), lags, z, ON_LINE)


def by_chance(n_lags: int) -> float:
    """Fit that the best of so many lags of unrelated sound reaches in one case of a hundred."""
    return math.sqrt(2.0 * math.log(n_lags / _CHANCE))


def on_one_line(starts: Floats, lags: Floats, z: Floats, within: float) -> Place | None:
    """Line through two pieces that most others lie on, weighted by fit; None where they are too few.

    Parameters
    ----------
    starts, lags, z : ndarray, shape (n_pieces,)
        Places and fits of the pieces; a fit of 0 is none.
    within : float
        So near to the line a piece lies on it, samples.
    """
    fitting = np.flatnonzero(z)
    best, best_on = 0.0, np.zeros(len(z), bool)
    for i, one in enumerate(fitting):
        for other in fitting[i + 1 :]:
            slope = (lags[other] - lags[one]) / (starts[other] - starts[one])
            on = (z > 0) & (np.abs(lags - lags[one] - slope * (starts - starts[one])) < within)
            if abs(slope) <= MOST_SLOPE and z[on].sum() > best:
                best, best_on = float(z[on].sum()), on
    if np.count_nonzero(best_on) < max(FEWEST_PIECES, _LEAST_SHARE * len(starts)):
        return None
    line, _, _ = least_squares(starts[best_on], lags[best_on])
    return Place(line=line, starts=starts, lags=lags, z=z, on=best_on)


def least_squares(starts: Floats, lags: Floats) -> tuple[Line, float, float]:
    """Line through points, outliers bounded; standard deviations of lag (in the middle) and slope."""
    weight = np.ones(len(starts))
    for _ in range(8):
        at = float(np.average(starts, weights=weight))
        away = starts - at
        slope = float((weight * away * lags).sum() / (weight * away**2).sum())
        lag = float(np.average(lags, weights=weight))
        left = lags - lag - slope * away
        # Huber's bound at 1.345 robust deviations: 95 % efficient on normal errors.
        bound = 1.345 * max(1.4826 * float(np.median(np.abs(left))), 1e-3)
        weight = np.minimum(1.0, bound / np.maximum(np.abs(left), 1e-12))
    free = max(1.0, float(weight.sum()) - 2.0)
    std = math.sqrt(max(float((weight * left**2).sum()) / free, _GRID_STD**2))
    # Half-overlapping pieces share half their sound.
    std *= math.sqrt(2.0)
    return (
        Line(lag=lag, at=at, slope=slope),
        std / math.sqrt(weight.sum()),
        std / math.sqrt(float((weight * away**2).sum())),
    )


def sharpest(takes: Takes, place: Place) -> Place:
    """Read the same place with the drift that makes the pieces fit best: a wrong one smears them."""
    begun = place.line
    tried = [
        checked(takes, Line(lag=begun(begun.at), at=begun.at, slope=slope), _SLOPE_STEP)
        for slope in np.arange(-MOST_SLOPE, MOST_SLOPE + 1e-9, _SLOPE_STEP)
    ]
    return max((one for one in (place, *tried) if one), key=lambda one: float(one.z[one.on].sum()))
