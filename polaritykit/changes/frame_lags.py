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

from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Complexes, Floats
from polaritykit.changes.motion import (
    DRIFT_SIGMAS,
    HALF_WITHIN,
    LEAST_DRIFT_PPM,
    LEAST_STEP_MS,
    LEAST_TRAVEL_MS,
)
from polaritykit.sustained.phase_curve import FEWEST_BINS, audible_bins

#: No clock of a working recorder is off by more (common practice: 100 ppm is a poor one).
_MOST_DRIFT_PPM = 300.0
#: Sustained sound: fewest frames that can be followed, and groups of neighbours they are put in.
LEAST_FRAMES = 16
GROUPS = 8
#: A pair is at rest where its weakest group shows at least this share of the groups' median peak.
_CALM_SHARE = 0.4
#: ... and where no cut leaves one side with less than this share of the other's peak, nothing is
#: looked for.
_EVEN_SHARE = 0.65
#: The lag of a group is looked for this near to the pooled one.
_NEAR_MS = 1.0
#: Frames on either side of a step.
_LEAST_SIDE_FRAMES = 6
#: Both states' peaks stand this many chance levels high: pure noise reaches 5 (sqrt(2 ln M)), one key and
#: tempo 10.
LEAST_STRENGTH = 12.0
#: Two sources that take turns leave both peaks in both parts: a state must leave no more than this
#: share ...
_ABSENT_SHARE = 0.3
#: ... this near to its lag in the other part.
_ABSENT_MS = 0.15
#: A jump this small with a turned sign may be the neighbouring lobe.
_LOBE_MS = 1.0
#: Two states explain this much more (as a share) than one.
_STEP_GAIN = 0.25
#: Frames are near in time within this part of the take: most of them within one note.
_NEAR_PARTS = 16
#: Frames lie on a line within this, and this share of them does.
_LINE_WIDTH_MS = 0.2
_LINE_SHARE = 0.4

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
    frames = _Frames(
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
    frames = _Frames(
        phasor=phasor,
        used=used,
        omega=2 * np.pi * frequency,
        times_s=times_s,
        rate_hz=sample_rate_hz,
        reach=reach,
    )
    return _restless(frames, (0, 1)) is not None


@dataclass(frozen=True, kw_only=True)
class _Frames:
    #: Unit cross-spectrum of each frame, (n_frames, n_used).
    phasor: Complexes
    #: Which bins of the spectra these are.
    used: NDArray[np.bool_]
    omega: Floats
    times_s: Floats
    rate_hz: int
    #: Largest lag looked for, samples.
    reach: int

    def curves(self, phasor: Complexes, weight: Floats, reach: int) -> Floats:
        """Weighted correlation of rows of phasors at lags -reach..reach samples."""
        from scipy.fft import irfft

        size = 2 * (len(self.used) - 1)
        spectrum = np.zeros((len(phasor), len(self.used)), dtype=complex)
        spectrum[:, self.used] = phasor * (weight / weight.sum())
        full = irfft(spectrum, size, axis=-1) * (size / 2)
        return np.concatenate([full[:, -reach:], full[:, : reach + 1]], axis=-1)

    def groups(self, n: int) -> list[NDArray[np.int64]]:
        """Frames in n groups of neighbours in time."""
        return np.array_split(np.arange(len(self.times_s)), n)


def _weight(phasor: Complexes) -> Floats:
    """Coherence of phase of each bin above chance, as for the pooled peak."""
    return np.asarray(np.sqrt(np.maximum(np.abs(phasor.mean(axis=0)) ** 2 - 3.0 / len(phasor), 0.0)))


@dataclass(frozen=True, kw_only=True)
class _Calm:
    """A pooled peak that all groups of frames show."""

    lag_s: float
    #: Signed weight of each bin.
    weight: Floats
    #: They show it alike, so that nothing needs to be looked for.
    even: bool


def _pooled(frames: _Frames) -> _Calm | None:
    """Lag and weights of the pooled peak; None where it is weak, or some group of frames lacks it."""
    weight = _weight(frames.phasor)
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


def _slow_drift(frames: _Frames, calm: _Calm) -> tuple[float, float] | None:
    """Rate and its standard error where the groups' lags follow a straight line that is worth telling."""
    groups = frames.groups(GROUPS)
    means: Complexes = np.stack([frames.phasor[group].mean(axis=0) * calm.weight for group in groups])
    times = [float(frames.times_s[group].mean()) for group in groups]
    # The nearest peak first: the slope alone would stay in whatever lobe it starts in.
    reach = round((abs(calm.lag_s) + _NEAR_MS * 1e-3) * frames.rate_hz) + 1
    curves = frames.curves(means, np.ones(means.shape[1]), reach)
    near = np.abs(np.arange(-reach, reach + 1) / frames.rate_hz - calm.lag_s) <= _NEAR_MS * 1e-3
    starts = (np.argmax(np.where(near, curves, -np.inf), axis=1) - reach) / frames.rate_hz
    lags = [_newton(mean, frames.omega, start) for mean, start in zip(means, starts, strict=True)]
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
        and _in_both_halves(t, y, rate)
        and _gathers(frames, rate)
    )
    return (rate, error) if worth else None


def _gathers(frames: _Frames, rate: float) -> bool:
    """Whether frames near in time differ by about that rate: a second reading, of other differences.

    Lines are laid through lags all over the take, and those of a source that moves from note to note may lie
    on one by chance; within a note it stays.  Products of two frames' phases hold their lags' difference
    only: their sum at none of the rate, all and twice of it, and the top of the parabola through these.
    """
    past = (frames.times_s - float(frames.times_s.mean()))[:, None]
    near_s = float(np.ptp(frames.times_s)) / _NEAR_PARTS
    turned = [frames.phasor * np.exp(1j * frames.omega * k * rate * past) for k in range(3)]
    weight = _weight(turned[1]) ** 2
    height = np.zeros(3)
    for step in range(1, len(past)):
        near = np.flatnonzero(past[step:, 0] - past[:-step, 0] <= near_s)
        if not len(near):
            break
        height += [float(((np.conj(x[near]) * x[near + step]).real @ weight).sum()) for x in turned]
    bend = height[0] - 2.0 * height[1] + height[2]
    return bool(bend < 0.0 and abs(height[0] - height[2]) <= -2.0 * HALF_WITHIN * bend)


def _in_both_halves(times_s: Floats, lags_s: Floats, rate: float) -> bool:
    """Whether either half of the take drifts like the whole: a clock does, a source that moves does not."""
    for half in np.array_split(np.argsort(times_s), 2):
        if len(half) < 2 or not np.ptp(times_s[half]):
            return False
        own = float(np.polyfit(times_s[half], lags_s[half], 1)[0])
        if abs(own - rate) > HALF_WITHIN * abs(rate):
            return False
    return True


def _newton(weighted: Complexes, omega: Floats, lag_s: float) -> float:
    """Maximum of Σ Re(weighted·exp(jωτ)) near a lag."""
    lag = lag_s
    for _ in range(4):
        turned = weighted * np.exp(1j * omega * lag)
        bend = float(np.sum(omega**2 * turned.real))
        if bend <= 0:
            return lag_s
        lag -= float(np.sum(omega * turned.imag)) / bend
    return lag


def _restless(frames: _Frames, pair: tuple[int, int]) -> PairLags | None:
    """Look for the line or the step that explains frames which do not agree."""
    reach = frames.reach
    curves = frames.curves(frames.phasor, np.ones(frames.phasor.shape[1]), reach)
    noise = float(np.median(np.abs(curves))) / 0.6745
    if noise <= 0:
        return None
    curves = curves / noise
    step = _step(curves, frames)
    line = _line(curves, frames)
    if step is not None and (line is None or step.strength >= line[0]):
        return PairLags(
            a=pair[0],
            b=pair[1],
            verdict="step",
            time_s=float(frames.times_s[step.cut - 1 : step.cut + 1].mean()),
            jump_s=_fine_jump(frames, step),
            flip=step.flip,
        )
    if line is None:
        return None
    rate, std = _fine_rate(frames, line[1])
    if abs(rate - line[1]) > HALF_WITHIN * abs(line[1]) or not _gathers(frames, rate):
        return None
    return PairLags(a=pair[0], b=pair[1], verdict="drift", rate=rate, rate_std=std)


@dataclass(frozen=True, kw_only=True)
class _Step:
    strength: float
    #: First frame after.
    cut: int
    jump_s: float
    flip: bool


def _step(curves: Floats, frames: _Frames) -> _Step | None:
    """Cut that gathers most in two peaks; None where no step is clear."""
    n = len(curves)
    total = np.cumsum(curves, axis=0)
    cuts = np.arange(_LEAST_SIDE_FRAMES, n - _LEAST_SIDE_FRAMES + 1)
    if not len(cuts):
        return None
    first, last = total[cuts - 1], total[-1] - total[cuts - 1]
    score = np.max(np.abs(first), axis=1) ** 2 / cuts + np.max(np.abs(last), axis=1) ** 2 / (n - cuts)
    best = int(np.argmax(score))
    gained = 1.0 - float(np.max(np.abs(total[-1])) ** 2 / n / score[best])
    cut = int(cuts[best])
    means = first[best] / cut, last[best] / (n - cut)
    at = [int(np.argmax(np.abs(mean))) for mean in means]
    peaks = [float(mean[place]) for mean, place in zip(means, at, strict=True)]
    strength = min(abs(peaks[0]) * cut**0.5, abs(peaks[1]) * (n - cut) ** 0.5)
    jump = (at[1] - at[0]) / frames.rate_hz
    flip = peaks[0] * peaks[1] < 0
    moved = abs(jump) >= LEAST_STEP_MS * 1e-3
    # With a turned sign a small jump may be the neighbouring lobe: a step or a turn, and nothing tells which.
    lobe = flip and moved and abs(jump) < _LOBE_MS * 1e-3
    clear = strength >= LEAST_STRENGTH and gained >= _STEP_GAIN and (moved or flip) and not lobe
    if not clear or not _take_no_turns(means, at, peaks, frames.rate_hz):
        return None
    return _Step(strength=float(score[best]), cut=cut, jump_s=jump if moved else 0.0, flip=flip)


def _take_no_turns(means: tuple[Floats, Floats], at: list[int], peaks: list[float], rate_hz: int) -> bool:
    """Each state's peak is absent in the other part: two sources that take turns leave both in both."""
    near = max(1, round(_ABSENT_MS * 1e-3 * rate_hz))
    for own, other in ((0, 1), (1, 0)):
        place = slice(max(0, at[own] - near), at[own] + near + 1)
        if float((np.sign(peaks[own]) * means[other][place]).max()) > _ABSENT_SHARE * abs(peaks[own]):
            return False
    return True


def _fine_jump(frames: _Frames, step: _Step) -> float:
    """Jump from the phase between the two states; 0 where there is none."""
    if not step.jump_s:
        return 0.0
    before, after = (part.mean(axis=0) for part in (frames.phasor[: step.cut], frames.phasor[step.cut :]))
    sign = -1.0 if step.flip else 1.0
    fine = _newton(sign * np.conj(before) * after, frames.omega, step.jump_s)
    return fine if abs(fine - step.jump_s) <= _ABSENT_MS * 1e-3 else step.jump_s


def _line(curves: Floats, frames: _Frames) -> tuple[float, float] | None:
    """Strength and rate of the straight line of lags that gathers most frames; None where none is clear.

    Every two frames' highest peaks propose a line; the line that passes near most of the others' is kept.
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
    if not _in_both_halves(frames.times_s[mine], lag[mine], rate):
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


def _fine_rate(frames: _Frames, rate: float) -> tuple[float, float]:
    """Rate and standard error from the phase, once the coarse drift is taken back."""
    middle = float(frames.times_s.mean())
    for _ in range(2):
        turned = np.exp(1j * frames.omega * rate * (frames.times_s[:, None] - middle))
        steady = replace(frames, phasor=frames.phasor * turned)
        weight = _weight(steady.phasor)
        if not weight.any():
            return rate, 1e-6
        reach = (len(frames.used) - 1) // 2
        curve = steady.curves(steady.phasor.mean(axis=0)[None], weight, reach)[0]
        at = int(np.argmax(np.abs(curve)))
        sign = 1.0 if curve[at] > 0 else -1.0
        lags, times = [], []
        for group in steady.groups(GROUPS):
            lags.append(
                _newton(
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
