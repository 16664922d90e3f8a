"""The straight line that the lags of a pair follow over the take, from its frames: two clocks.

Conventions: as in `polaritykit.changes.frame_lags`.
"""

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats
from polaritykit.changes.followed_frames import Frames, nearest_lag, weights
from polaritykit.changes.motion import HALF_WITHIN, LEAST_DRIFT_PPM, LEAST_TRAVEL_MS

#: No clock of a working recorder is off by more (common practice: 100 ppm is a poor one).
_MOST_DRIFT_PPM = 300.0
#: Sustained sound: fewest frames that can be followed, and groups of neighbours they are put in.
LEAST_FRAMES = 16
GROUPS = 8
#: Frames are near in time within this part of the take: most of them within one note.
_NEAR_PARTS = 16
#: Frames lie on a line within this, and this share of them does.
_LINE_WIDTH_MS = 0.2
_LINE_SHARE = 0.4


def gathers(frames: Frames, rate: float) -> bool:
    """Tell whether frames near in time differ by about that rate: a second reading, of other differences.

    Lines are laid through lags all over the take, and those of a source that moves from note to note may lie
    on one by chance; within a note it stays.  Products of two frames' phases hold their lags' difference
    only: their sum at none of the rate, all and twice of it, and the top of the parabola through these.

    Parameters
    ----------
    frames : Frames
    rate : float
        Growth of the lag, seconds a second.
    """
    past = (frames.times_s - float(frames.times_s.mean()))[:, None]
    near_s = float(np.ptp(frames.times_s)) / _NEAR_PARTS
    turned = [frames.phasor * np.exp(1j * frames.omega * k * rate * past) for k in range(3)]
    weight = weights(turned[1]) ** 2
    height = np.zeros(3)
    for step in range(1, len(past)):
        near = np.flatnonzero(past[step:, 0] - past[:-step, 0] <= near_s)
        if not len(near):
            break
        height += [float(((np.conj(x[near]) * x[near + step]).real @ weight).sum()) for x in turned]
    bend = height[0] - 2.0 * height[1] + height[2]
    return bool(bend < 0.0 and abs(height[0] - height[2]) <= -2.0 * HALF_WITHIN * bend)


def in_both_halves(times_s: Floats, lags_s: Floats, rate: float) -> bool:
    """Tell whether either half of the take drifts like the whole: a clock does, a moving source does not.

    Parameters
    ----------
    times_s, lags_s : ndarray, shape (n_points,)
    rate : float
        Of the whole.
    """
    for half in np.array_split(np.argsort(times_s), 2):
        if len(half) < 2 or not np.ptp(times_s[half]):
            return False
        own = float(np.polyfit(times_s[half], lags_s[half], 1)[0])
        if abs(own - rate) > HALF_WITHIN * abs(rate):
            return False
    return True


def find_line(curves: Floats, frames: Frames) -> tuple[float, float] | None:
    """Find the straight line of lags that gathers most frames.

    Every two frames' highest peaks propose a line; the line that passes near most of the others' is kept.

    Parameters
    ----------
    curves : ndarray, shape (n_frames, n_lags)
        In chance levels.
    frames : Frames

    Returns
    -------
    tuple of float or None
        Strength, in chance levels squared, and rate, seconds a second; None where no line is clear.
    """
    n, n_lags = curves.shape
    reach = (n_lags - 1) // 2
    at = np.argmax(np.abs(curves), axis=1)
    lag = (at - reach) / frames.rate_hz
    mine = on_line(lag, np.sign(curves[np.arange(n), at]), frames.times_s)
    if mine.sum() < least_on_line(n):
        return None
    # Frames of all parts of the take must lie on it.
    shares = [float(mine[group].mean()) for group in frames.groups(4)]
    if min(shares) < _LINE_SHARE / 2:
        return None
    slope = np.polyfit(frames.times_s[mine] - frames.times_s.mean(), lag[mine], 1)
    rate = float(slope[0])
    if not in_both_halves(frames.times_s[mine], lag[mine], rate):
        return None
    travel = abs(rate) * float(np.ptp(frames.times_s))
    if abs(rate) * 1e6 < LEAST_DRIFT_PPM or travel < LEAST_TRAVEL_MS * 1e-3:
        return None
    place = (
        np.round((slope[1] + rate * (frames.times_s - frames.times_s.mean())) * frames.rate_hz).astype(int)
        + reach
    )
    inside = (place >= 0) & (place < n_lags)
    along = curves[np.flatnonzero(inside), place[inside]]
    return float(along.sum() ** 2 / n), rate


def least_on_line(n_frames: int) -> float:
    """Fewest frames that make a line."""
    return max(_LINE_SHARE * n_frames, LEAST_FRAMES / 2)


def on_line(lag_s: Floats, sign: Floats, times_s: Floats) -> NDArray[np.bool_]:
    """Frames whose highest peaks lie on the line that most of them lie on; none where no two propose one.

    Parameters
    ----------
    lag_s, sign : ndarray, shape (n_frames,)
        Of each frame's highest peak.
    times_s : ndarray, shape (n_frames,)
    """
    i, j = _twos(len(times_s))
    far = times_s[j] - times_s[i] >= 0.2 * np.ptp(times_s)
    i, j = i[far & (sign[i] == sign[j])], j[far & (sign[i] == sign[j])]
    rates = (lag_s[j] - lag_s[i]) / (times_s[j] - times_s[i])
    possible = np.abs(rates) <= _MOST_DRIFT_PPM * 1e-6
    i, rates = i[possible], rates[possible]
    if not len(rates):
        return np.zeros(len(times_s), dtype=bool)
    miss = np.abs(lag_s[i, None] + rates[:, None] * (times_s - times_s[i, None]) - lag_s)
    inlier = (miss <= _LINE_WIDTH_MS * 1e-3) & (sign == sign[i, None])
    return np.asarray(inlier[int(np.argmax(inlier.sum(axis=1)))])


@cache
def _twos(n: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """All pairs of so many, the first before the second."""
    first, second = np.triu_indices(n, 1)
    return first, second


def fine_rate(frames: Frames, rate: float) -> tuple[float, float]:
    """Read the rate from the phase, once the coarse drift is taken back.

    Parameters
    ----------
    frames : Frames
    rate : float
        Coarse.

    Returns
    -------
    tuple of float
        Rate and its standard error, seconds a second.
    """
    middle = float(frames.times_s.mean())
    for _ in range(2):
        turned = np.exp(1j * frames.omega * rate * (frames.times_s[:, None] - middle))
        steady = replace(frames, phasor=frames.phasor * turned)
        weight = weights(steady.phasor)
        if not weight.any():
            return rate, 1e-6
        reach = (len(frames.used) - 1) // 2
        curve = steady.curves(steady.phasor.mean(axis=0)[None], weight, reach)[0]
        at = int(np.argmax(np.abs(curve)))
        sign = 1.0 if curve[at] > 0 else -1.0
        lags, times = [], []
        for group in steady.groups(GROUPS):
            lags.append(
                nearest_lag(
                    steady.phasor[group].mean(axis=0) * sign * weight,
                    frames.omega,
                    (at - reach) / frames.rate_hz,
                )
            )
            times.append(float(frames.times_s[group].mean()))
        t = np.array(times) - np.mean(times)
        y = np.array(lags)
        # Theil and Sen: one group that lost the thread must not decide.
        i, j = np.triu_indices(len(t), 1)
        more = float(np.median((y[j] - y[i]) / (t[j] - t[i])))
        residual = y - np.median(y - more * t) - more * t
        scale = 1.4826 * float(np.median(np.abs(residual)))
        std = 1.25 * scale / float(np.sqrt(np.sum(t**2)))
        rate += more
    return rate, std
