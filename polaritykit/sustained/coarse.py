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
from typing import Literal

import numpy as np

from polaritykit.base.types import Floats
from polaritykit.sustained.coarse_places import (
    CHECKED,
    FEWEST_PIECES,
    LEAST_SHARED_S,
    MEASURED,
    MOST_SLOPE,
    ON_LINE,
    PIECE,
    REFLECTIONS,
    SAME_PLACE,
    Line,
    Place,
    Takes,
    believed,
    by_chance,
    checked,
    from_both_ends,
    least_squares,
    on_one_line,
    proposals,
    sharpest,
)
from polaritykit.sustained.whitened import LOW_RATE_HZ, Real, peak_between

Reason = Literal["found", "several_places", "nothing_shared", "too_short", "silent"]

#: Drifts that pieces are read with, and how far each reaches: no piece is smeared by more than 0.6 ms.
_TRIED = ((0.0, 250.0), (-130.0, 130.0), (130.0, 130.0))
#: A rival place fits so well in comparison ... and clearly less well only beyond so many standard errors.
_RIVAL, _RIVAL_SIGMAS = 0.8, 4.0
#: One arrival's fit is this narrow.
_ONE_ARRIVAL = 0.0005 * LOW_RATE_HZ
#: Share of pieces that fit at the place: strokes of one sampled drum in two songs make some fit anywhere.
_LEAST_FITTING = 0.6
_NEAR = LOW_RATE_HZ // 4


@dataclass(frozen=True, kw_only=True)
class FoundPlace:
    """Where one take lies in another; as the fields of `CoarseMatch`."""

    offset_s: float
    offset_std_s: float
    drift_ppm: float
    drift_std_ppm: float
    middle_s: float
    shared_s: tuple[float, float]

    def offset_at_s(self, time_s: float) -> float:
        """Offset at a time of the first take."""
        return self.offset_s + 1e-6 * self.drift_ppm * (time_s - self.middle_s)


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

    @property
    def place(self) -> FoundPlace | None:
        """The one place, where there is one."""
        if (
            self.offset_s is None
            or self.offset_std_s is None
            or self.drift_ppm is None
            or self.drift_std_ppm is None
            or self.middle_s is None
            or self.shared_s is None
        ):
            return None
        return FoundPlace(
            offset_s=self.offset_s,
            offset_std_s=self.offset_std_s,
            drift_ppm=self.drift_ppm,
            drift_std_ppm=self.drift_std_ppm,
            middle_s=self.middle_s,
            shared_s=self.shared_s,
        )


def coarse_match(first: Real, second: Real, *, near_s: float | None = None) -> CoarseMatch:
    """Find where the second take lies in the first.

    Parameters
    ----------
    first, second : ndarray, shape (n,)
        Takes at 8 kHz, as `low_rate` makes them; of any length and of different ones.
    near_s : float, optional
        Look only near this offset, at any drift; loops that fit elsewhere too do not matter then.

    Returns
    -------
    CoarseMatch
    """
    if min(len(first), len(second)) < LEAST_SHARED_S * LOW_RATE_HZ:
        return CoarseMatch(reason="too_short")
    # Pieces are cut from the shorter one: fewer of them cover it.
    swapped = len(first) < len(second)
    takes = Takes(second, first) if swapped else Takes(first, second)
    starts = takes.loud(from_both_ends(len(takes.shorter)))
    if not len(starts) or not np.any(takes.longer):
        return CoarseMatch(reason="silent")
    if near_s is not None:
        begun = Line(lag=(near_s if swapped else -near_s) * LOW_RATE_HZ, at=0.0, slope=0.0)
        middle = sum(takes.overlap(begun)) / 2
        found = checked(takes, Line(lag=begun.lag, at=middle, slope=0.0), MOST_SLOPE)
        return _concluded(takes, [found], swapped=swapped) if found else CoarseMatch(reason="nothing_shared")
    # With two drifts to try every second piece has to do: three of them still lie in half a minute.
    for tried, every in ((_TRIED[:1], 1), (_TRIED[1:], 2)):
        places = believed(takes, proposals(takes, starts[::every], [ppm for ppm, _ in tried]), dict(tried))
        if places:
            return _concluded(takes, places, swapped=swapped)
    return CoarseMatch(reason="nothing_shared")


@dataclass(frozen=True, kw_only=True)
class _Measured:
    """The best place, read with many pieces."""

    place: Place
    lag_std: float
    slope_std: float
    #: Other lags, samples beside the line, at which it fits about as well.
    again: list[float]


def _measured(takes: Takes, line: Line) -> _Measured | None:
    """Read a place with many pieces; None where too few of them fit."""
    found = None
    # First any reflection, then the one that most pieces share: what hops between two would tilt the line.
    for apart, on_line in (
        (SAME_PLACE, ON_LINE),
        (SAME_PLACE, ON_LINE),
        (_ONE_ARRIVAL, _ONE_ARRIVAL),
    ):
        starts = takes.spread(line, MEASURED)
        signed = np.array(
            [takes.curve(s, round(line(s)), _NEAR, line.slope, signed=True) for s in starts.tolist()]
        )
        curves = np.abs(signed)
        whole = np.array([round(line(s)) - line(s) for s in starts])
        middle = _NEAR - whole
        if apart == _ONE_ARRIVAL:
            middle += _shared_arrival(curves, middle)
        lags, z = _picked(curves, middle, apart, signed)
        place = on_one_line(starts.astype(float), lags - _NEAR + whole + line(starts), z, on_line)
        if place is None or np.mean(z > 0) < _LEAST_FITTING:
            return None
        line, lag_std, slope_std = least_squares(place.starts[place.on], place.lags[place.on])
        found = _Measured(
            place=replace(place, line=line),
            lag_std=lag_std,
            slope_std=slope_std,
            again=_repeated(curves, middle),
        )
    return found


def _concluded(takes: Takes, places: list[Place], *, swapped: bool) -> CoarseMatch:
    """Measure the best place, hold the others against it, and put it in the caller's terms."""
    measured = _measured(takes, sharpest(takes, places[0]).line)
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


def _as_good(takes: Takes, rival: Line, best: Place) -> bool:
    """Whether a rival place fits about as well, piece by piece."""
    begin, end = takes.overlap(rival)
    inside = [
        (int(s), z)
        for s, z in zip(best.starts[best.on], best.z[best.on], strict=True)
        if begin <= s <= end - PIECE
    ]
    if len(inside) < FEWEST_PIECES:
        # The two places share no piece: repeats of another part; level them by what each has.
        inside = [(int(s), float(np.median(best.z[best.on]))) for s in takes.spread(rival, CHECKED)]
    theirs = np.array(
        [takes.curve(s, round(rival(s)), int(SAME_PLACE), rival.slope).max() for s, _ in inside], dtype=float
    )
    ours = np.array([z for _, z in inside])
    sure = (ours - theirs).mean() > _RIVAL_SIGMAS * (ours - theirs).std(ddof=1) / math.sqrt(len(ours))
    return not (sure and theirs.mean() < _RIVAL * ours.mean())


def _picked(curves: Real, middle: Floats, reach: float, signed: Real) -> tuple[Floats, Floats]:
    """Place of each curve's maximum within reach of its middle, and its fit: 0 where chance does as well."""
    lags, z = np.zeros(len(curves)), np.zeros(len(curves))
    least = by_chance(round(2 * reach) + 1)
    for k, (curve, at) in enumerate(zip(curves, middle, strict=True)):
        low = round(at - reach)
        top = low + int(curve[low : round(at + reach) + 1].argmax())
        lags[k], z[k] = peak_between(signed[k], top), curve[top] if curve[top] > least else 0.0
    return lags, z


def _along(curves: Real, middle: Floats, reach: int) -> Floats:
    """Median of all curves around their middles."""
    at = np.rint(middle).astype(int)
    rows = [c[max(0, m - reach) : m + reach + 1] for c, m in zip(curves, at, strict=True)]
    found: Floats = np.median([row for row in rows if len(row) == 2 * reach + 1], axis=0)
    return found


def _shared_arrival(curves: Real, middle: Floats) -> int:
    """Lag beside the line at which the pieces fit best together."""
    reach = int(ON_LINE)
    return int(_along(curves, middle, reach).argmax()) - reach


def _repeated(curves: Real, middle: Floats) -> list[float]:
    """Lags beside the line at which the pieces fit about as well: hum, a grid within a second."""
    reach = _NEAR - int(SAME_PLACE)
    fits = _along(curves, middle, reach)
    away = np.abs(np.arange(-reach, reach + 1)) > REFLECTIONS
    others = np.flatnonzero(away & (fits > _RIVAL * fits[reach - 2 : reach + 3].max()))
    if not len(others):
        return []
    return [float(others[int(fits[others].argmax())] - reach)]
