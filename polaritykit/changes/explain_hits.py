"""Hits of all sources over the take to the tracks that changed: another clock, a move, a delay, a switch.

A change is believed where the tracks that did not change agree on it; it is then told of the track.

Conventions: as in `polaritykit.changes.motion`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats
from polaritykit.changes.hit_lags import HitLags
from polaritykit.changes.motion import (
    DRIFT_SIGMAS,
    HALF_WITHIN,
    LEAST_DRIFT_PPM,
    LEAST_STEP_MS,
    LEAST_TRAVEL_MS,
    TOGETHER_S,
    Motion,
    Step,
    gauged,
)

#: A hit counts where it is this much like the track's mean hit ...
_LEAST_SIMILARITY = 0.6
#: ... and a source counts on a track where this share of its hits does.
_LEAST_SHARE = 0.5
#: Hits before and after a change, over all sources: fewer may be chance.
_LEAST_HITS = 4
#: A switch was thrown where this share of the signs turns ...
_FLIP_SHARE = 0.85
#: ... while no more than this share would fit an unchanged track.
_UNFLIPPED_SHARE = 0.8
#: Lags are looked into where their mean size reaches this many times their noise from hit to hit (0.8 for
#: a normal distribution without any change, 1.3 with a tenth of wild ones).
_RESTLESS = 1.4
#: A step must leave no more than this share of the lags' size unexplained, a straight line no more
#: than that.
_STEP_COST_SHARE = 0.5
_LINE_COST_SHARE = 0.6
#: A line is preferred where it leaves less than this share of what a step leaves.
_LINE_AGAINST_STEP = 0.8
#: Pairs of strokes that tell the slope of half a take.
_HALF_PAIRS = 5
#: A step against its uncertainty.
_STEP_SIGMAS = 6.0
#: Of the sources heard before and after, this share (by hits) must show the step.
_MOVED_SHARE = 0.6
#: Hits of two kinds that take turns leave a run of one kind now and then: the probability of that, for
#: any of the cuts.
_STEP_CHANCE = 0.01


@dataclass(frozen=True, kw_only=True)
class _Series:
    """One track over the take: what its hits say, sources mixed, in time order; arrays (n,)."""

    times_s: Floats
    lag_s: Floats
    sign: Floats
    source: NDArray[np.int64]


def hit_motions(all_lags: Sequence[HitLags], duration_s: float) -> tuple[Motion, ...]:
    """Find the tracks that changed from the all_lags of all sources' hits.

    Parameters
    ----------
    all_lags : sequence of HitLags
    duration_s : float
        Length of the take.

    Returns
    -------
    tuple of Motion
        Of the tracks that changed; empty where none did.
    """
    if not all_lags:
        return ()
    polished = [_polished(hit_lags) for hit_lags in all_lags]
    motions = []
    for track in range(all_lags[0].lag_s.shape[1]):
        series = _series(all_lags, polished, track)
        if len(series.times_s) >= 2 * _LEAST_HITS:
            found = _motion(track, series, duration_s)
            motions.append(found or Motion(track=track, duration_s=duration_s))
    return gauged(motions)


@dataclass(frozen=True, kw_only=True)
class _Polished:
    """Lags without what all tracks of a hit, or all hits of a track, share; shape (n_hits, n_tracks)."""

    #: NaN where a hit does not look like the others.
    lag_s: Floats
    #: 0 there.
    sign: Floats


def _polished(hit_lags: HitLags) -> _Polished:
    """Take from lags and signs what all tracks of a hit share, and each track's usual value (Tukey)."""
    similar = hit_lags.similarity >= _LEAST_SIMILARITY
    lag = np.where(similar, hit_lags.lag_s, np.nan)
    sign = np.where(similar, hit_lags.sign, 0.0)
    for _ in range(3):
        lag = lag - _median(lag, 0)[None, :]
        lag = lag - _median(lag, 1)[:, None]
        sign = sign * _majority(sign * hit_lags.similarity, 0)[None, :]
        sign = sign * _majority(sign * hit_lags.similarity, 1)[:, None]
    return _Polished(lag_s=lag, sign=sign)


def _majority(values: Floats, axis: int) -> Floats:
    """Sign of most; +1 in a tie."""
    return np.where(values.sum(axis=axis) >= 0, 1.0, -1.0)


def _median(values: Floats, axis: int) -> Floats:
    """Median without NaN; 0 where nothing is left."""
    ordered = np.sort(values, axis=axis)  # NaN go last
    count = np.sum(np.isfinite(values), axis=axis)
    low, high = (np.expand_dims(np.maximum(at, 0), axis) for at in ((count - 1) // 2, count // 2))
    ends = np.minimum(high, values.shape[axis] - 1)
    middle = 0.5 * (np.take_along_axis(ordered, low, axis) + np.take_along_axis(ordered, ends, axis))
    return np.where(count > 0, np.nan_to_num(middle.squeeze(axis)), 0.0)


def _series(all_lags: Sequence[HitLags], polished: Sequence[_Polished], track: int) -> _Series:
    """Gather one track's hits; sources that rarely look alike there are left out."""
    parts = []
    for number, (hit_lags, own) in enumerate(zip(all_lags, polished, strict=True)):
        fine = np.isfinite(own.lag_s[:, track])
        if fine.mean() >= _LEAST_SHARE and fine.sum() >= 4:
            times = hit_lags.times_s[fine]
            parts.append((times, own.lag_s[fine, track], own.sign[fine, track], np.full(len(times), number)))
    if not parts:
        empty = np.zeros(0)
        return _Series(times_s=empty, lag_s=empty, sign=empty, source=np.zeros(0, dtype=np.int64))
    times, lag, sign, source = (np.concatenate([part[k] for part in parts]) for k in range(4))
    order = np.argsort(times, kind="stable")
    return _Series(times_s=times[order], lag_s=lag[order], sign=sign[order], source=source[order])


def _motion(track: int, series: _Series, duration_s: float) -> Motion | None:
    """Name the one thing that explains a track's series, if anything does."""
    flip_s = _flip(series)
    step = _lag_step(series)
    drift = _drift(series, duration_s)
    if drift is not None and (step is None or drift[2] < _LINE_AGAINST_STEP * step[2]):
        return Motion(track=track, rate=drift[0], rate_std=drift[1], duration_s=duration_s)
    if flip_s is None and step is None:
        return None
    steps = []
    if step is not None:
        together = flip_s is not None and abs(flip_s - step[0]) <= TOGETHER_S
        steps.append(Step(time_s=step[0], jump_s=step[1], flip=together))
    if flip_s is not None and not any(one.flip for one in steps):
        steps.append(Step(time_s=flip_s, jump_s=0.0, flip=True))
    return Motion(track=track, steps=tuple(sorted(steps, key=lambda one: one.time_s)), duration_s=duration_s)


def _flip(series: _Series) -> float | None:
    """Time at which the signs of all sources turn; None where they do not."""
    n = len(series.times_s)
    before = np.zeros(n - 1)
    same = np.zeros(n - 1)
    for number in np.unique(series.source):
        own = np.where(series.source == number, series.sign, 0.0)
        first = np.cumsum(own)[:-1]
        rest = own.sum() - first
        before += np.abs(first - rest)
        same += np.abs(first + rest)
    ok = _cuts(series)
    if not ok.any():
        return None
    at = int(np.argmax(np.where(ok, before, -1.0)))
    if before[at] < _FLIP_SHARE * n or same[at] > _UNFLIPPED_SHARE * n:
        return None
    return float(series.times_s[at : at + 2].mean())


def _cuts(series: _Series) -> NDArray[np.bool_]:
    """Cuts between neighbours in time with enough hits on both sides."""
    n = len(series.times_s)
    at = np.arange(1, n)
    return np.asarray((at >= _LEAST_HITS) & (n - at >= _LEAST_HITS) & (np.diff(series.times_s) > 0))


def _noise(series: _Series) -> float:
    """Robust spread from hit to hit, blind to anything slow."""
    steps = [np.abs(np.diff(series.lag_s[series.source == number])) for number in np.unique(series.source)]
    return max(float(np.median(np.concatenate(steps))) / (0.6745 * 2**0.5), 1e-5)


def _centred(lag: Floats, source: NDArray[np.int64]) -> Floats:
    out = lag.copy()
    for number in np.unique(source):
        out[source == number] -= np.median(out[source == number])
    return out


def _cost(residual: Floats, noise: float) -> float:
    """Sum of absolute residuals; a wild one counts six noises."""
    return float(np.minimum(np.abs(residual), 6 * noise).sum())


def _lag_step(series: _Series) -> tuple[float, float, float] | None:
    """Time, size and remaining cost of the one step that explains the lags; None where none does."""
    noise = _noise(series)
    null = _cost(_centred(series.lag_s, series.source), noise)
    cuts = np.flatnonzero(_cuts(series))
    if null < _RESTLESS * noise * len(series.lag_s) or not len(cuts):
        return None
    coarse = cuts[np.linspace(0, len(cuts) - 1, min(len(cuts), 40)).round().astype(int)]
    costs = [_split(series, int(cut), noise)[0] for cut in coarse]
    near = int(np.argmin(costs))
    low, high = coarse[max(near - 1, 0)], coarse[min(near + 1, len(coarse) - 1)]
    fine = [int(cut) for cut in cuts if low <= cut <= high]
    best = min(fine, key=lambda cut: _split(series, cut, noise)[0])
    cost, jumps, errors, weights = _split(series, best, noise)
    if cost > _STEP_COST_SHARE * null or not len(jumps):
        return None
    moved = (np.abs(jumps) >= LEAST_STEP_MS * 1e-3) & (np.abs(jumps) >= _STEP_SIGMAS * errors)
    if weights[moved].sum() < _MOVED_SHARE * weights.sum() or not moved.any():
        return None
    if _by_chance(series, best) * len(cuts) > _STEP_CHANCE:
        return None
    jump = _weighted_median(jumps[moved], weights[moved])
    return float(series.times_s[best : best + 2].mean()), jump, cost


def _weighted_median(values: Floats, weights: Floats) -> float:
    order = np.argsort(values)
    share = np.cumsum(weights[order]) / weights.sum()
    return float(values[order][np.searchsorted(share, 0.5)])


def _split(series: _Series, cut: int, noise: float) -> tuple[float, Floats, Floats, Floats]:
    """Cost when every source steps after ``cut``; jumps, errors and weights of sources with both sides."""
    after = np.arange(len(series.lag_s)) > cut
    residual = series.lag_s.copy()
    jumps, errors, weights = [], [], []
    for number in np.unique(series.source):
        own = series.source == number
        sides = [own & ~after, own & after]
        counts = [int(side.sum()) for side in sides]
        if min(counts) < 2:
            residual[own] -= np.median(residual[own])
            continue
        middles = [float(np.median(series.lag_s[side])) for side in sides]
        for side, middle in zip(sides, middles, strict=True):
            residual[side] -= middle
        jumps.append(middles[1] - middles[0])
        errors.append(1.25 * noise * (1 / counts[0] + 1 / counts[1]) ** 0.5)
        weights.append(float(min(counts)))
    return _cost(residual, noise), np.array(jumps), np.array(errors), np.array(weights)


def _by_chance(series: _Series, cut: int) -> float:
    """Probability that hits of two kinds in random order fall so well to either side of a cut.

    Of each source's hits, those nearer to the middle of the hits after the cut are drawn without
    replacement (hypergeometric distribution); sources are independent.
    """
    after = np.arange(len(series.lag_s)) > cut
    chance = 1.0
    for number in np.unique(series.source):
        own = series.source == number
        first, last = (series.lag_s[own & side] for side in (~after, after))
        if min(len(first), len(last)) < 2:
            continue
        border = 0.5 * float(np.median(first) + np.median(last))
        late = np.median(last) > np.median(first)
        like_last = [int(np.sum((side > border) == late)) for side in (first, last)]
        kinds, n, n_last = sum(like_last), len(first) + len(last), len(last)
        ways = sum(
            math.comb(kinds, k) * math.comb(n - kinds, n_last - k)
            for k in range(like_last[1], min(kinds, n_last) + 1)
        )
        chance *= ways / math.comb(n, n_last)
    return chance


def _drift(series: _Series, duration_s: float) -> tuple[float, float, float] | None:
    """Rate, its standard error and remaining cost of the straight line through the lags (Theil and Sen)."""
    noise = _noise(series)
    null = _cost(_centred(series.lag_s, series.source), noise)
    if null < _RESTLESS * noise * len(series.lag_s):
        return None
    slopes, spans, early, late = [], [], [], []
    middle = float(np.median(series.times_s))
    for number in np.unique(series.source):
        own = series.source == number
        t, y = series.times_s[own], series.lag_s[own]
        i, j = np.triu_indices(len(t), 1)
        far = np.abs(t[j] - t[i]) >= 0.2 * duration_s
        slopes.append((y[j] - y[i])[far] / (t[j] - t[i])[far])
        spans.append(np.abs(t[j] - t[i])[far])
        early.append((np.maximum(t[i], t[j]) <= middle)[far])
        late.append((np.minimum(t[i], t[j]) >= middle)[far])
    all_slopes, all_spans = np.concatenate(slopes), np.concatenate(spans)
    if len(all_slopes) < 10:
        return None
    rate = _weighted_median(all_slopes, all_spans)
    residual = _centred(series.lag_s - rate * series.times_s, series.source)
    cost = _cost(residual, noise)
    spread = _centred(series.times_s, series.source)
    scale = max(1.4826 * float(np.median(np.abs(residual))), noise)
    error = 1.25 * scale / float(np.sqrt(np.sum(spread**2)))
    good = (
        cost <= _LINE_COST_SHARE * null
        and abs(rate) >= DRIFT_SIGMAS * error
        and abs(rate) * 1e6 >= LEAST_DRIFT_PPM
        and abs(rate) * float(np.ptp(series.times_s)) >= LEAST_TRAVEL_MS * 1e-3
        and _in_half(all_slopes, all_spans, np.concatenate(early), rate, error)
        and _in_half(all_slopes, all_spans, np.concatenate(late), rate, error)
    )
    return (rate, error, cost) if good else None


def _in_half(slopes: Floats, spans: Floats, inside: NDArray[np.bool_], rate: float, error: float) -> bool:
    """Whether one half of the take drifts like the whole: a clock does, a player who moves does not.

    The standard error of a slope over half the time with half the strokes is 2·√2 times that of the whole.
    """
    if np.count_nonzero(inside) < _HALF_PAIRS:
        return False
    own = _weighted_median(slopes[inside], spans[inside])
    return bool(abs(own - rate) <= max(HALF_WITHIN * abs(rate), 2.0 * 2.0 * math.sqrt(2.0) * error))
