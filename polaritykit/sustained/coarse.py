"""Where one take lies in another that did not start with it, over any distance, and how their clocks drift.

Short pieces of the shorter take are sought in all of the longer one; each proposes a few places.  A place is
believed when other pieces, looked at only near it, fit on one straight line of lag over time: its slope is
the drift.  What fits elsewhere as well (loops, strict grids, hum) is said to fit in several places.

Conventions
-----------
offset
    seconds; a sound at ``t`` in the first take lies at ``t + offset`` in the second: positive when the second
    recorder was running earlier.
drift
    millionths; positive when the second take's clock runs faster, so that the offset grows.

References
----------
Knapp and Carter (1976) for the transform; Fischler, M. A. & Bolles, R. C. (1981), CACM 24(6), 381-395, for
lines through few of many points.
"""

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from polaritykit.sustained.whitened import LOW_RATE_HZ, Real, fit, stretched, vertex, whitened

Floats = NDArray[np.float64]
Reason = Literal["found", "several_places", "nothing_shared", "too_short", "silent"]

#: A piece: long enough that its fit stands out of an hour (5 s hold 33 000 independent values: 5 % of shared
#: sound is 9 standard deviations), short enough that 100 ppm move it by half a millisecond only.
_PIECE = 5 * LOW_RATE_HZ
_SEARCH_SIZE = 2**17
#: All of a take is searched at half the rate.
_THINNED = 2
#: One place at most per so many samples of a search: the next loop or beat counts, the same reflection not.
_APART = LOW_RATE_HZ // 4
_PLACES_PER_PIECE = 6
#: Clocks: crystals keep 100 ppm between them; beyond 250 there is a wrong sample rate.
_MOST_SLOPE = 250e-6
_SLOPE_STEP = 62.5e-6
#: Drifts that pieces are read with, and how far each reaches: no piece is smeared by more than 0.6 ms.
_TRIED = ((0.0, 250.0), (-130.0, 130.0), (130.0, 130.0))
#: Fits on one line within this: a player who moves by 0.7 m, or another reflection.
_ON_LINE = 0.002 * LOW_RATE_HZ
#: Chance that anything unrelated reaches a fit near a given place; with four on one line it is nothing.
_CHANCE = 0.01
_FEWEST_PIECES, _LEAST_SHARE, _LEAST_SHARED_S = 4, 0.4, 20.0
_CHECKED, _MEASURED = 16, 48
#: A rival place fits so well in comparison ... and clearly less well only beyond so many standard errors.
_RIVAL, _RIVAL_SIGMAS = 0.8, 4.0
#: Same place: first reflections and two sources are nearer than this; strong reflections come within that.
_SAME_PLACE = 0.006 * LOW_RATE_HZ
_REFLECTIONS = 0.05 * LOW_RATE_HZ
#: One arrival's fit is this narrow.
_ONE_ARRIVAL = 0.0005 * LOW_RATE_HZ
#: Share of pieces that fit at the place: strokes of one sampled drum in two songs make some fit anywhere.
_LEAST_FITTING = 0.6
_NEAR = LOW_RATE_HZ // 4
#: Best of all lags of an hour by chance: sqrt(2·ln(3·10⁷)) = 5.9; a little less may still be right.
_LEAST_PROPOSED = 5.5
_MOST_PLACES = 12
#: A parabola at the low rate is not sharper than this (samples).
_GRID_STD = 0.05
#: Below this against its own loudest pieces a piece holds nothing to be sought.
_QUIET_DB = 40.0


@dataclass(frozen=True, kw_only=True)
class CoarseMatch:
    """Whether and where two takes hold the same sound.

    Attributes
    ----------
    reason : str
        ``found``; ``several_places`` (loops, a strict grid or hum: no one place is better than the rest);
        ``nothing_shared`` (not at any lag); ``too_short``; ``silent``.
    offset_s : float or None
        Offset at ``middle_s``, with its standard deviation.
    drift_ppm : float or None
        With its standard deviation.
    shared_s : tuple of float or None
        The overlap, in seconds of the first take.
    places_s : tuple of float
        Offsets that fit about alike, where there are several.
    pieces, agreeing : int
        Pieces compared at the place, and how many lie on the line.
    z : float
        Median fit of those in standard deviations of unrelated sound.
    """

    reason: Reason
    offset_s: float | None = None
    offset_std_s: float | None = None
    drift_ppm: float | None = None
    drift_std_ppm: float | None = None
    middle_s: float | None = None
    shared_s: tuple[float, float] | None = None
    places_s: tuple[float, ...] = ()
    pieces: int = 0
    agreeing: int = 0
    z: float = 0.0

    def offset_at_s(self, time_s: float) -> float:
        """Offset at a time of the first take.

        Raises
        ------
        ValueError
            When no place was found.
        """
        if self.offset_s is None or self.drift_ppm is None or self.middle_s is None:
            raise ValueError(f"No offset is known: {self.reason}.")
        return self.offset_s + 1e-6 * self.drift_ppm * (time_s - self.middle_s)


@dataclass(frozen=True, kw_only=True)
class _Line:
    """Lag of pieces of the shorter take over their start: place in the longer one less place here, samples."""

    lag: float
    at: float
    slope: float

    def __call__(self, start: Any) -> Any:
        return self.lag + self.slope * (start - self.at)


@dataclass(frozen=True, kw_only=True)
class _Place:
    """A line, and the pieces that were compared along it."""

    line: _Line
    starts: Floats
    lags: Floats
    #: 0 where chance does as well.
    z: Floats
    on: NDArray[np.bool_]


def coarse_match(first: Real, second: Real) -> CoarseMatch:
    """Find where the second take lies in the first.

    Parameters
    ----------
    first, second : ndarray, shape (n,)
        Takes at 8 kHz, as `low_rate` makes them; of any length and of different ones.

    Returns
    -------
    CoarseMatch
    """
    if min(len(first), len(second)) < _LEAST_SHARED_S * LOW_RATE_HZ:
        return CoarseMatch(reason="too_short")
    # Pieces are cut from the shorter one: fewer of them cover it.
    swapped = len(first) < len(second)
    takes = _Takes(second, first) if swapped else _Takes(first, second)
    starts = takes.loud(_from_both_ends(len(takes.shorter)))
    if not len(starts) or not np.any(takes.longer):
        return CoarseMatch(reason="silent")
    # With two drifts to try every second piece has to do: three of them still lie in half a minute.
    for tried, every in ((_TRIED[:1], 1), (_TRIED[1:], 2)):
        places = _believed(takes, _proposals(takes, starts[::every], [ppm for ppm, _ in tried]), dict(tried))
        if places:
            return _concluded(takes, places, swapped=swapped)
    return CoarseMatch(reason="nothing_shared")


class _Takes:
    """Both takes, and the fit of pieces of the shorter one in the longer one."""

    def __init__(self, longer: Real, shorter: Real) -> None:
        self.longer, self.shorter = longer, shorter

    def loud(self, starts: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the starts of those pieces that hold something."""
        power = np.array([float(np.mean(self.shorter[s : s + _PIECE] ** 2)) for s in starts])
        return starts[(power > 0) & (power > power.max(initial=0.0) * 10 ** (-_QUIET_DB / 10))]

    def overlap(self, line: _Line) -> tuple[int, int]:
        """Span of the shorter take that also lies in the longer one."""
        begin, end = max(0, math.ceil(-line(0.0))), len(self.shorter)
        return begin, min(end, math.floor(len(self.longer) - line(float(end))))

    def spread(self, line: _Line, count: int) -> NDArray[np.int64]:
        """Spread pieces evenly over the overlap; none where it is too short to tell anything."""
        begin, end = self.overlap(line)
        if end - begin < _LEAST_SHARED_S * LOW_RATE_HZ:
            return np.zeros(0, np.int64)
        # At most half overlapping: more would be the same evidence again.
        count = min(count, 2 * ((end - begin) // _PIECE) - 1)
        return self.loud(np.linspace(begin, end - _PIECE, count).astype(np.int64))

    def curve(self, start: int, lag: int, reach: int, slope: float) -> Real:
        """Fit of the piece at lags ``lag - reach`` … ``lag + reach``, read with the drift `slope`."""
        from scipy import fft

        piece = stretched(self.shorter[start : start + _PIECE], 1e6 * slope)
        first = start + lag - reach
        stop = first + len(piece) + 2 * reach
        stretch = self.longer[max(first, 0) : max(stop, 0)]
        stretch = np.pad(stretch, (max(-first, 0), 0))
        size = fft.next_fast_len(len(piece) + 2 * reach, real=True)
        return fit(whitened(stretch, size), whitened(piece, size), size)[: 2 * reach + 1]


def _from_both_ends(n_samples: int) -> NDArray[np.int64]:
    """Place pieces densely at both ends: a short overlap of two long takes lies there, or is all of one."""
    last = n_samples - _PIECE
    steps = [0.0]
    while steps[-1] < last / 2:
        steps.append(steps[-1] + max(_PIECE, 0.35 * steps[-1]))
    inside = np.array(steps[:-1])
    return np.unique(np.concatenate([inside, last - inside]).astype(np.int64))


def _proposals(
    takes: _Takes, starts: NDArray[np.int64], ppms: list[float]
) -> list[tuple[float, float, float, float]]:
    """Look for all pieces in all of the longer take.

    Returns
    -------
    list of tuple
        Fit z, start of the piece, lag, drift tried: the best few of each piece, the best of all first.
    """
    size, hop = _SEARCH_SIZE, (_SEARCH_SIZE - _PIECE) // _APART * _APART - _APART
    asked = [(int(s), ppm) for s in starts for ppm in ppms]
    spectra = [whitened(stretched(takes.shorter[s : s + _PIECE], ppm), size) for s, ppm in asked]
    best = np.zeros((len(asked), 0, 2))
    # Pieces may begin before the longer take does.
    for at in range(-_PIECE, len(takes.longer), hop):
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


def _believed(
    takes: _Takes, proposals: list[tuple[float, float, float, float]], reach_ppm: dict[float, float]
) -> list[_Place]:
    """Places where enough other pieces fit too, best first."""
    places: list[_Place] = []
    for z, start, lag, ppm in proposals:
        if z < _LEAST_PROPOSED or len(places) >= _MOST_PLACES:
            break
        if any(abs(place.line(start) - lag) < _REFLECTIONS for place in places):
            continue
        place = _checked(takes, _Line(lag=lag, at=start, slope=1e-6 * ppm), 1e-6 * reach_ppm[ppm])
        # Two proposals may lead to one line.
        if place and not any(abs(one.line(start) - place.line(start)) < _REFLECTIONS for one in places):
            places.append(place)
    return sorted(places, key=lambda one: -float(one.z[one.on].sum()))


def _checked(takes: _Takes, seed: _Line, reach_slope: float) -> _Place | None:
    """Look at other pieces near a proposed place, and lay a line through the places where they fit."""
    starts = takes.spread(seed, _CHECKED)
    lags, z = np.zeros(len(starts)), np.zeros(len(starts))
    for k, start in enumerate(starts.tolist()):
        reach = math.ceil(_SAME_PLACE + reach_slope * abs(start - seed.at))
        lag = round(seed(start))
        curve = takes.curve(start, lag, reach, seed.slope)
        top = int(curve.argmax())
        lags[k] = lag - reach + vertex(curve, top)
        z[k] = curve[top] if curve[top] > _by_chance(len(curve)) else 0.0
    return _on_one_line(starts.astype(float), lags, z, _ON_LINE)


def _by_chance(n_lags: int) -> float:
    """Fit that the best of so many lags of unrelated sound reaches in one case of a hundred."""
    return math.sqrt(2.0 * math.log(n_lags / _CHANCE))


def _on_one_line(starts: Floats, lags: Floats, z: Floats, within: float) -> _Place | None:
    """Line through two pieces that most others lie on, weighted by fit; None where they are too few."""
    fitting = np.flatnonzero(z)
    best, best_on = 0.0, np.zeros(len(z), bool)
    for i, one in enumerate(fitting):
        for other in fitting[i + 1 :]:
            slope = (lags[other] - lags[one]) / (starts[other] - starts[one])
            on = (z > 0) & (np.abs(lags - lags[one] - slope * (starts - starts[one])) < within)
            if abs(slope) <= _MOST_SLOPE and z[on].sum() > best:
                best, best_on = float(z[on].sum()), on
    if np.count_nonzero(best_on) < max(_FEWEST_PIECES, _LEAST_SHARE * len(starts)):
        return None
    line, _, _ = _least_squares(starts[best_on], lags[best_on])
    return _Place(line=line, starts=starts, lags=lags, z=z, on=best_on)


def _least_squares(starts: Floats, lags: Floats) -> tuple[_Line, float, float]:
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
        _Line(lag=lag, at=at, slope=slope),
        std / math.sqrt(weight.sum()),
        std / math.sqrt(float((weight * away**2).sum())),
    )


def _sharpest(takes: _Takes, place: _Place) -> _Place:
    """Read the same place with the drift that makes the pieces fit best: a wrong one smears them."""
    begun = place.line
    tried = [
        _checked(takes, _Line(lag=begun(begun.at), at=begun.at, slope=slope), _SLOPE_STEP)
        for slope in np.arange(-_MOST_SLOPE, _MOST_SLOPE + 1e-9, _SLOPE_STEP)
    ]
    return max((one for one in (place, *tried) if one), key=lambda one: float(one.z[one.on].sum()))


@dataclass(frozen=True, kw_only=True)
class _Measured:
    """The best place, read with many pieces."""

    place: _Place
    lag_std: float
    slope_std: float
    #: Other lags, samples beside the line, at which it fits about as well.
    again: list[float]


def _measured(takes: _Takes, line: _Line) -> _Measured | None:
    """Read a place with many pieces; None where too few of them fit."""
    found = None
    # First any reflection, then the one that most pieces share: what hops between two would tilt the line.
    for apart, on_line in (
        (_SAME_PLACE, _ON_LINE),
        (_SAME_PLACE, _ON_LINE),
        (_ONE_ARRIVAL, _ONE_ARRIVAL),
    ):
        starts = takes.spread(line, _MEASURED)
        curves = np.array([takes.curve(s, round(line(s)), _NEAR, line.slope) for s in starts.tolist()])
        whole = np.array([round(line(s)) - line(s) for s in starts])
        middle = _NEAR - whole
        if apart == _ONE_ARRIVAL:
            middle += _shared_arrival(curves, middle)
        lags, z = _picked(curves, middle, apart)
        place = _on_one_line(starts.astype(float), lags - _NEAR + whole + line(starts), z, on_line)
        if place is None or np.mean(z > 0) < _LEAST_FITTING:
            return None
        line, lag_std, slope_std = _least_squares(place.starts[place.on], place.lags[place.on])
        found = _Measured(
            place=replace(place, line=line),
            lag_std=lag_std,
            slope_std=slope_std,
            again=_repeated(curves, middle),
        )
    return found


def _concluded(takes: _Takes, places: list[_Place], *, swapped: bool) -> CoarseMatch:
    """Measure the best place, hold the others against it, and put it in the caller's terms."""
    measured = _measured(takes, _sharpest(takes, places[0]).line)
    if measured is None:
        return CoarseMatch(reason="nothing_shared")
    place, line = measured.place, measured.place.line
    rivals = [one.line for one in places[1:] if _as_good(takes, one.line, place)]
    sign = 1.0 if swapped else -1.0
    offsets = [sign * one(one.at) / LOW_RATE_HZ for one in (line, *rivals)]
    offsets += [offsets[0] + sign * lag / LOW_RATE_HZ for lag in measured.again]
    found = CoarseMatch(
        reason="several_places" if len(offsets) > 1 else "found",
        places_s=tuple(offsets),
        pieces=len(place.starts),
        agreeing=int(place.on.sum()),
        z=float(np.median(place.z[place.on])),
    )
    if found.reason == "several_places":
        return found
    begin, end = takes.overlap(line)
    # The line runs over the shorter take's own time; the caller's is the first one's.
    shift = 0.0 if swapped else line(line.at)
    return replace(
        found,
        offset_s=offsets[0],
        offset_std_s=measured.lag_std / LOW_RATE_HZ,
        drift_ppm=1e6 * (line.slope if swapped else -line.slope / (1.0 + line.slope)),
        drift_std_ppm=1e6 * measured.slope_std,
        middle_s=(line.at + shift) / LOW_RATE_HZ,
        shared_s=((begin + shift) / LOW_RATE_HZ, (end + shift) / LOW_RATE_HZ),
    )


def _as_good(takes: _Takes, rival: _Line, best: _Place) -> bool:
    """Whether a rival place fits about as well, piece by piece."""
    begin, end = takes.overlap(rival)
    inside = [
        (int(s), z)
        for s, z in zip(best.starts[best.on], best.z[best.on], strict=True)
        if begin <= s <= end - _PIECE
    ]
    if len(inside) < _FEWEST_PIECES:
        # The two places share no piece: repeats of another part; level them by what each has.
        inside = [(int(s), float(np.median(best.z[best.on]))) for s in takes.spread(rival, _CHECKED)]
    theirs = np.array(
        [takes.curve(s, round(rival(s)), int(_SAME_PLACE), rival.slope).max() for s, _ in inside], dtype=float
    )
    ours = np.array([z for _, z in inside])
    sure = (ours - theirs).mean() > _RIVAL_SIGMAS * (ours - theirs).std(ddof=1) / math.sqrt(len(ours))
    return not (sure and theirs.mean() < _RIVAL * ours.mean())


def _picked(curves: Real, middle: Floats, reach: float) -> tuple[Floats, Floats]:
    """Place of each curve's maximum within reach of its middle, and its fit: 0 where chance does as well."""
    lags, z = np.zeros(len(curves)), np.zeros(len(curves))
    least = _by_chance(round(2 * reach) + 1)
    for k, (curve, at) in enumerate(zip(curves, middle, strict=True)):
        low = round(at - reach)
        top = low + int(curve[low : round(at + reach) + 1].argmax())
        lags[k], z[k] = vertex(curve, top), curve[top] if curve[top] > least else 0.0
    return lags, z


def _along(curves: Real, middle: Floats, reach: int) -> Floats:
    """Median of all curves around their middles."""
    at = np.rint(middle).astype(int)
    rows = [c[max(0, m - reach) : m + reach + 1] for c, m in zip(curves, at, strict=True)]
    found: Floats = np.median([row for row in rows if len(row) == 2 * reach + 1], axis=0)
    return found


def _shared_arrival(curves: Real, middle: Floats) -> int:
    """Lag beside the line at which the pieces fit best together."""
    reach = int(_ON_LINE)
    return int(_along(curves, middle, reach).argmax()) - reach


def _repeated(curves: Real, middle: Floats) -> list[float]:
    """Lags beside the line at which the pieces fit about as well: hum, a grid within a second."""
    reach = _NEAR - int(_SAME_PLACE)
    fits = _along(curves, middle, reach)
    away = np.abs(np.arange(-reach, reach + 1)) > _REFLECTIONS
    others = np.flatnonzero(away & (fits > _RIVAL * fits[reach - 2 : reach + 3].max()))
    if not len(others):
        return []
    return [float(others[int(fits[others].argmax())] - reach)]
