"""How one pair of tracks runs over the take, from frames of sustained sound.

The frames are followed by their phase alone.  Most pairs are at rest: the groups of frames, in time order,
all show the pooled peak.  Where they do not, the correlation curves of the single frames are searched for the
one straight line of lags over time (two clocks), or the one moment (a step), that gathers most of them.

Conventions
-----------
lag
    seconds; positive when the second track hears the sound later.
curves
    phase-transform correlation of each frame, (n_frames, n_lags), 1 for a pure delay.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Complexes, Floats
from polaritykit.changes.followed_frames import Frames, nearest_lag, weights
from polaritykit.changes.frame_line import (
    GROUPS,
    LEAST_FRAMES,
    find_line,
    fine_rate,
    gathers,
    in_both_halves,
)
from polaritykit.changes.frame_step import LEAST_STRENGTH, find_step, fine_jump
from polaritykit.changes.motion import DRIFT_SIGMAS, HALF_WITHIN, LEAST_DRIFT_PPM, LEAST_TRAVEL_MS
from polaritykit.sustained.phase_curve import FEWEST_BINS, audible_bins

#: A pair is at rest where its weakest group shows at least this share of the groups' median peak.
_CALM_SHARE = 0.4
#: ... and where no cut leaves one side with less than this share of the other's peak, nothing is
#: looked for.
_EVEN_SHARE = 0.65
#: The lag of a group is looked for this near to the pooled one.
_NEAR_MS = 1.0

Verdict = Literal["unknown", "rest", "drift", "step"]


@dataclass(frozen=True, kw_only=True)
class PairLags:
    """What the frames of one home track say of the pair (a, b) over the take."""

    a: int
    b: int
    verdict: Verdict
    #: Lag grows by this many seconds per second.
    rate: float = 0.0
    rate_std: float = 0.0
    #: Of a step.
    time_s: float = 0.0
    jump_s: float = 0.0
    flip: bool = False


def read_pair_lags(
    spectra_a: Complexes,
    spectra_b: Complexes,
    times_s: Floats,
    sample_rate_hz: int,
    *,
    pair: tuple[int, int],
    search_ms: float,
) -> PairLags:
    """Follow one pair through the frames.

    Parameters
    ----------
    spectra_a, spectra_b : ndarray of complex, shape (n_frames, n_bins)
    times_s : ndarray, shape (n_frames,)
        Middle of each frame.
    sample_rate_hz : int
    pair : tuple of int
        The two tracks.
    search_ms : float
        Largest offset looked for, of either sign.

    Returns
    -------
    PairLags
    """
    a, b = pair
    if len(times_s) < LEAST_FRAMES:
        return PairLags(a=a, b=b, verdict="unknown")
    frequency = np.arange(spectra_a.shape[1]) * sample_rate_hz / (2 * (spectra_a.shape[1] - 1))
    used = audible_bins(spectra_a, spectra_b, frequency)
    if np.count_nonzero(used) < FEWEST_BINS:
        return PairLags(a=a, b=b, verdict="unknown")
    cross = np.conj(spectra_a[:, used]) * spectra_b[:, used]
    phasor = cross / np.maximum(np.abs(cross), 1e-30)
    frames = Frames(
        phasor=phasor,
        used=used,
        omega=2 * np.pi * frequency[used],
        times_s=times_s,
        rate_hz=sample_rate_hz,
        reach=min(round(search_ms * 1e-3 * sample_rate_hz), (spectra_a.shape[1] - 1) // 2),
    )
    calm = _pooled(frames)
    if calm is not None and calm.even:
        slow = _slow_drift(frames, calm)
        if slow is not None:
            return PairLags(a=a, b=b, verdict="drift", rate=slow[0], rate_std=slow[1])
        return PairLags(a=a, b=b, verdict="rest")
    found = _restless(frames, (a, b))
    if found is None:
        return PairLags(a=a, b=b, verdict="unknown" if calm is None else "rest")
    return found


def restless(
    phasor: Complexes, used: NDArray[np.bool_], times_s: Floats, sample_rate_hz: int, reach: int
) -> bool:
    """Whether frames that do not agree lie on a line or on two sides of a step of lags.

    Parameters
    ----------
    phasor : ndarray of complex, shape (n_frames, n_used)
        Unit cross-spectra.
    used : ndarray of bool, shape (n_bins,)
        Which bins of the frames' spectra these are.
    times_s : ndarray, shape (n_frames,)
        Middle of each frame.
    sample_rate_hz : int
    reach : int
        Largest lag looked for, samples.
    """
    frequency = np.flatnonzero(used) * sample_rate_hz / (2 * (len(used) - 1))
    frames = Frames(
        phasor=phasor,
        used=used,
        omega=2 * np.pi * frequency,
        times_s=times_s,
        rate_hz=sample_rate_hz,
        reach=reach,
    )
    return _restless(frames, (0, 1)) is not None


@dataclass(frozen=True, kw_only=True)
class _Calm:
    """A pooled peak that all groups of frames show."""

    lag_s: float
    #: Signed weight of each bin.
    weight: Floats
    #: They show it alike, so that nothing needs to be looked for.
    even: bool


def _pooled(frames: Frames) -> _Calm | None:
    """Lag and weights of the pooled peak; None where it is weak, or some group of frames lacks it."""
    weight = weights(frames.phasor)
    if np.count_nonzero(weight) < FEWEST_BINS:
        return None
    reach = frames.reach
    curve = frames.curves(frames.phasor.mean(axis=0)[None], weight, reach)[0]
    at = int(np.argmax(np.abs(curve)))
    chance = float(np.sqrt(np.sum(weight**2) / 2 / len(frames.phasor)) / weight.sum())
    if abs(curve[at]) < LEAST_STRENGTH * chance:
        return None
    lag = (at - reach) / frames.rate_hz
    sign = 1.0 if curve[at] > 0 else -1.0
    turned = (frames.phasor * np.exp(1j * frames.omega * lag)).real @ (sign * weight / weight.sum())
    shares = np.array([turned[group].mean() for group in frames.groups(GROUPS)])
    if shares.min() < _CALM_SHARE * np.median(shares):
        return None
    sides = [(shares[:cut].mean(), shares[cut:].mean()) for cut in range(1, len(shares))]
    even = all(min(side) >= _EVEN_SHARE * max(side) for side in sides)
    return _Calm(lag_s=lag, weight=sign * weight, even=even)


def _slow_drift(frames: Frames, calm: _Calm) -> tuple[float, float] | None:
    """Rate and its standard error where the groups' lags follow a straight line that is worth telling."""
    groups = frames.groups(GROUPS)
    means: Complexes = np.stack([frames.phasor[group].mean(axis=0) * calm.weight for group in groups])
    times = [float(frames.times_s[group].mean()) for group in groups]
    # The nearest peak first: the slope alone would stay in whatever lobe it starts in.
    reach = round((abs(calm.lag_s) + _NEAR_MS * 1e-3) * frames.rate_hz) + 1
    curves = frames.curves(means, np.ones(means.shape[1]), reach)
    near = np.abs(np.arange(-reach, reach + 1) / frames.rate_hz - calm.lag_s) <= _NEAR_MS * 1e-3
    starts = (np.argmax(np.where(near, curves, -np.inf), axis=1) - reach) / frames.rate_hz
    lags = [nearest_lag(mean, frames.omega, start) for mean, start in zip(means, starts, strict=True)]
    t = np.array(times) - np.mean(times)
    y = np.array(lags)
    rate = float(np.sum(t * y) / np.sum(t**2))
    residual = y - y.mean() - rate * t
    error = float(np.sqrt(np.sum(residual**2) / (len(t) - 2) / np.sum(t**2)))
    travel = abs(rate) * float(np.ptp(frames.times_s))
    worth = (
        abs(rate) * 1e6 >= LEAST_DRIFT_PPM
        and travel >= LEAST_TRAVEL_MS * 1e-3
        and abs(rate) >= DRIFT_SIGMAS * error
        and in_both_halves(t, y, rate)
        and gathers(frames, rate)
    )
    return (rate, error) if worth else None


def _restless(frames: Frames, pair: tuple[int, int]) -> PairLags | None:
    """Look for the line or the step that explains frames which do not agree."""
    reach = frames.reach
    curves = frames.curves(frames.phasor, np.ones(frames.phasor.shape[1]), reach)
    noise = float(np.median(np.abs(curves))) / 0.6745
    if noise <= 0:
        return None
    curves = curves / noise
    step = find_step(curves, frames)
    line = find_line(curves, frames)
    if step is not None and (line is None or step.strength >= line[0]):
        return PairLags(
            a=pair[0],
            b=pair[1],
            verdict="step",
            time_s=float(frames.times_s[step.cut - 1 : step.cut + 1].mean()),
            jump_s=fine_jump(frames, step),
            flip=step.flip,
        )
    if line is None:
        return None
    rate, std = fine_rate(frames, line[1])
    if abs(rate - line[1]) > HALF_WITHIN * abs(line[1]) or not gathers(frames, rate):
        return None
    return PairLags(a=pair[0], b=pair[1], verdict="drift", rate=rate, rate_std=std)
