"""The delay that all of the audio of two tracks supports best, and how far it may be off.

Once one track is cut later by the whole samples of a first value, the phase between the two hardly turns
from bin to bin, so that neighbouring frequencies may be averaged to see how coherent they are.  Each
frequency then weighs as maximum likelihood has it, and the phase of all of them together gives the delay.

Conventions
-----------
windows
    ``(n_windows, size)``, half-overlapping where they come from one piece of the take.
offset
    seconds; positive when the second track hears the sound later.

References
----------
Hannan, E. J. & Thomson, P. J. (1973), Biometrika 60, 241-253; Knapp, C. H. & Carter, G. C. (1976), IEEE
Trans. ASSP 24(4), 320-327: for a pure delay in noise it reaches the Cramér-Rao bound.
Harris, F. J. (1978), Proc. IEEE 66(1), 51-83: transform of the Hann window.
Carter, G. C., Knapp, C. H. & Nuttall, A. H. (1973), IEEE Trans. AU 21(4), 337-344: coherence by chance.
"""

import math
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np

from polaritykit.base.hann import BINS_ALIKE, INDEPENDENT_FRAMES
from polaritykit.base.types import Complexes, Floats, Recording, Samples

#: Independent values that make the finest coherence, and how much wider each coarser one is: fewer values
#: scatter too much, more blur the edges of a band.  A bin takes the finest one that chance does not explain.
_VALUES = 48
_COARSER = (1, 4, 16, 64)
#: Chance makes a coherence that counts less often than this.
_CHANCE = 1e-3
#: Coherence above this weighs no more: one line must not decide.
_MOST_COHERENT = 1.0 - 1e-4
_FEWEST_BINS = 8
_FEWEST_WINDOWS = 64
#: What leaks counts from beyond the window's own line on, with this margin; rounding of single precision,
#: as power.
_LEAKS_FROM = 4
_LEAK_MARGIN = 10.0
_ROUNDING = 1e-12
#: Stretches of time, and parts of the spectrum, whose disagreement widens the uncertainty; a part counts
#: from this share of all there is to tell on.
_STRETCHES = 8
_BANDS_PER_OCTAVE = 2
_LEAST_SHARE = 0.01
_LEVELS_PER_OCTAVE = 3
#: Scatter beyond noise is told from noise at this many of its own standard deviations.
_SIGMAS = 2.0


@dataclass(frozen=True, kw_only=True)
class JointDelay:
    """Delay with its standard deviation, seconds."""

    offset_s: float
    std_s: float
    #: Polarity of the lobe that was taken, +1 or -1.
    sign: int
    #: Spread of a line through the phase, seconds, in view of how the single frequencies lie about it: large
    #: where nothing but a few of them agree by chance.
    line_s: float
    #: What noise alone would make of the offset, seconds: the Cramér-Rao bound of what is coherent.
    bound_s: float
    #: Departures of parts of the spectrum from one delay, over those of noise, as standard deviations.
    bent: float
    #: The same for stretches of the take.
    moving: float
    #: The lobe is the one that was asked for, of that sign.
    same_lobe: bool
    #: Peak of the weighted correlation over its noise.
    height: float


@dataclass(frozen=True, kw_only=True)
class _Pooled:
    """Coherency of all windows, its weights, and what each stretch of time adds to it."""

    #: Mean of conj(A)·B over the root of both powers, (n_bins,).
    coherency: Complexes
    #: Its parts, (n_stretches, n_bins): they add up to it.
    parts: Complexes
    weight: Floats
    #: Power of it that is not coherent.
    incoherent: Floats
    omega: Floats
    #: Independent windows.
    n: float
    #: Mean powers of both tracks.
    powers: tuple[Floats, Floats]


def joint_delay(
    windows_a: Samples,
    windows_b: Samples,
    whole: int,
    *,
    offset_s: float,
    sign: int,
    sample_rate_hz: int,
    lobes_s: float,
) -> JointDelay | None:
    """Delay of b against a by maximum likelihood over all windows.

    Parameters
    ----------
    windows_a, windows_b : ndarray, shape (n_windows, size)
        Those of b begin ``whole`` samples later.
    whole : int
    offset_s : float
        First value.
    sign : int
        Polarity, +1 or -1.
    sample_rate_hz : int
    lobes_s : float
        The highest lobe of either sign is looked for so far about the first value; 0 keeps
        to the value's own.

    Returns
    -------
    JointDelay or None
        None where too few bins are coherent.
    """
    size = windows_a.shape[-1]
    pooled = _pool(windows_a, windows_b, sample_rate_hz)
    if np.count_nonzero(pooled.weight) < _FEWEST_BINS:
        return None
    noise = math.sqrt(BINS_ALIKE * float(np.sum(pooled.weight**2 * pooled.incoherent)) / (2.0 * pooled.n))
    left = offset_s - whole / sample_rate_hz
    signed = sign * pooled.weight * pooled.coherency
    lobe = _highest_lobe(signed, size, sample_rate_hz, lag_s=left, reach_s=lobes_s, noise=noise)
    turned = sign * lobe.sign
    lag = _summit(lobe.sign * signed, pooled.omega, lobe.lag_s)
    if lag is None:
        return None
    spread = _spread(pooled, lag, turned)
    return JointDelay(
        offset_s=whole / sample_rate_hz + lag,
        std_s=math.hypot(spread.std_s, lobe.risk_s),
        sign=turned,
        line_s=spread.line_s,
        bound_s=spread.bound_s,
        bent=spread.bent,
        moving=spread.moving,
        same_lobe=lobe.sign > 0 and abs(lobe.lag_s - left) < lobe.half_apart_s,
        height=lobe.height / max(noise, 1e-300),
    )


def take_windows(
    recording: Recording, pair: tuple[int, int], whole: int, most: int, n_windows: int
) -> tuple[Samples, Samples]:
    """Half-overlapping windows of a pair that lie inside the take on both tracks, spread where too many.

    Parameters
    ----------
    recording : Recording
    pair : tuple of int
        Two tracks; the second is cut ``whole`` samples later.
    whole : int
    most : int
        Longest window; a tenth of the take at most, for what the outer halves of the outer windows lose.
    n_windows : int
        So many at most, but a few tens always.

    Returns
    -------
    tuple of ndarray
        Each of shape (n_windows, size).
    """
    n = recording.n_samples
    first, stop = max(0, -whole), min(n, n - whole)
    size = min(most, max(16, (stop - first) // 10)) // 2 * 2
    full = max(1, round((stop - first - size) / (size / 2)) + 1)
    count = min(full, max(n_windows, _FEWEST_WINDOWS))
    starts = np.linspace(first, stop - size, count).astype(np.int64)
    if count == full:
        takes = [recording.read(0, n, (track,))[0] for track in pair]
        views = [np.lib.stride_tricks.sliding_window_view(take, size) for take in takes]
        return np.asarray(views[0][starts]), np.asarray(views[1][starts + whole])
    one, other = (
        np.stack([recording.read(int(at) + shift, int(at) + shift + size, (track,))[0] for at in starts])
        for track, shift in zip(pair, (0, whole), strict=True)
    )
    return one, other


@cache
def _window(size: int) -> Samples:
    return np.hanning(size + 1)[:-1].astype(np.float32)


def _pool(windows_a: Samples, windows_b: Samples, rate_hz: int) -> _Pooled:
    from scipy.fft import rfft

    n_windows, size = windows_a.shape
    window = _window(size)
    stretches = min(_STRETCHES, n_windows)
    edges = np.linspace(0, n_windows, stretches + 1).round().astype(int)
    parts = []
    power_a, power_b = np.zeros(size // 2 + 1), np.zeros(size // 2 + 1)
    for first, stop in pairwise(edges):
        a, b = (rfft(x[first:stop] * window, axis=-1) for x in (windows_a, windows_b))
        parts.append(np.sum(np.conj(a) * b, axis=0, dtype=np.complex128))
        power_a = power_a + np.sum(np.abs(a) ** 2, axis=0, dtype=np.float64)
        power_b = power_b + np.sum(np.abs(b) ** 2, axis=0, dtype=np.float64)
    scale = np.sqrt(_above_leak(power_a) * _above_leak(power_b))
    coherencies = np.stack(parts) / np.maximum(scale, 1e-290)
    coherency = coherencies.sum(axis=0)
    n = max(1.0, INDEPENDENT_FRAMES * n_windows)
    coherence = _coherence(coherency, n)
    size_of = np.sqrt(coherence)
    return _Pooled(
        coherency=coherency,
        parts=coherencies,
        weight=size_of / (1.0 - coherence),
        incoherent=1.0 - coherence,
        omega=2 * np.pi * np.arange(len(coherency)) * rate_hz / size,
        n=n,
        powers=(power_a, power_b),
    )


def _above_leak(power: Floats) -> Floats:
    """Power of each bin, and several times what all others leave in it through the Hann window.

    What leaks is one and the same in many bins, and would be taken for many that agree.  The window's
    transform is sinc(d)/(1-d²) at a distance of d bins (Harris 1978); the envelope of that is taken.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    distance = np.abs(np.arange(-len(power) + 1, len(power))).astype(np.float64)
    far = distance >= _LEAKS_FROM
    kernel = np.zeros(len(distance))
    kernel[far] = 1.0 / (np.pi * distance[far] * (distance[far] ** 2 - 1.0)) ** 2
    n = len(power)
    size = next_fast_len(3 * n - 2, real=True)
    leak = irfft(rfft(power, size) * rfft(kernel, size), size)[n - 1 : 2 * n - 1]
    leak = np.maximum(leak, 0.0)
    # Single precision: its rounding is white.
    others = _LEAK_MARGIN * leak + _ROUNDING * float(power.max())
    # What stands far above it is left as it is.
    return np.asarray(power + others**2 / np.maximum(power + others, 1e-300))


def _coherence(coherency: Complexes, n: float) -> Floats:
    """Squared coherence of each bin over as many neighbours as it takes to be told from chance.

    The coherency is smoothed as it is: aligned, its phase hardly turns from bin to bin.
    """
    from scipy.ndimage import uniform_filter1d

    finest = max(1, round(_VALUES / n * BINS_ALIKE))
    result = np.zeros(len(coherency))
    for factor in reversed(_COARSER):
        width = factor * finest
        values = max(n * max(1.0, width / BINS_ALIKE), 1.5)
        raw = (
            uniform_filter1d(coherency.real, width, mode="constant") ** 2
            + uniform_filter1d(coherency.imag, width, mode="constant") ** 2
        )
        # Of unrelated tracks P(γ² > x) = (1-x)^(n-1), E[γ²] = 1/n.
        counts = raw > 1.0 - _CHANCE ** (1.0 / (values - 1.0))
        unbiased = np.clip((raw - 1.0 / values) / (1.0 - 1.0 / values), 0.0, _MOST_COHERENT)
        # A finer value counts only inside what a coarser one shows: chance bins in the treble would
        # outweigh a band of sound below.  Where it lies clearly below that (var γ² = 2γ²(1-γ²)²/n, Carter,
        # Knapp and Nuttall), the coarser one has been smeared over the edge of a band.
        spread = np.sqrt(2.0 * result / values) * (1.0 - result)
        below = unbiased < result - _SIGMAS * spread
        inside = counts if factor == _COARSER[-1] else (counts | below) & (result > 0)
        result = np.where(inside, np.where(counts, unbiased, 0.0), result)
    result[0] = 0.0
    return result


@dataclass(frozen=True, kw_only=True)
class _Spread:
    std_s: float
    line_s: float
    bound_s: float
    bent: float
    moving: float


def _spread(pooled: _Pooled, lag_s: float, sign: int) -> _Spread:
    """Return what noise promises of the delay's spread, and what the data's parts show beyond it."""
    turn = sign * pooled.weight * np.exp(1j * pooled.omega * lag_s)
    bends = pooled.omega**2 * (turn * pooled.coherency).real
    bend = float(np.sum(bends))
    pulls = pooled.omega * (turn * pooled.parts).imag
    noise = BINS_ALIKE * (pooled.weight * pooled.omega) ** 2 * pooled.incoherent / (2.0 * pooled.n)
    promised = float(np.sum(noise))
    if bend <= 0:
        return _Spread(std_s=math.inf, line_s=math.inf, bound_s=math.inf, bent=0.0, moving=0.0)
    along = pulls.sum(axis=1)
    # Stretches: their sum's variance by their scatter about their mean.
    stretches = float(np.sum((along - along.mean()) ** 2)) * len(along) / max(1, len(along) - 1)
    freedom = max(1, len(along) - 1)
    more = max(0.0, stretches - promised * (1.0 + _SIGMAS * math.sqrt(2.0 / freedom)))
    bands, bent = _between_bands(pooled.omega, pulls.sum(axis=0), bends, noise)
    departures = BINS_ALIKE * float(np.sum(pulls.sum(axis=0) ** 2))
    unlike = _by_response(pooled, bends)
    beyond = max(0.0, unlike**2 - (1.0 + _SIGMAS * math.sqrt(2.0)) * promised / bend**2)
    return _Spread(
        std_s=math.sqrt((promised + more) / bend**2 + bands**2 + beyond),
        line_s=math.sqrt(max(promised, departures)) / bend,
        bound_s=math.sqrt(promised) / bend,
        bent=bent,
        moving=math.sqrt(stretches / promised),
    )


def _by_response(pooled: _Pooled, bends: Floats) -> float:
    """Delay that the two tracks' difference in level over frequency would make if it were minimum phase.

    A microphone's or an amplifier's response delays as it filters, which is no way through the air; nothing
    in the phase tells one from the other.  Noise makes as much of it as of the delay itself.
    """
    from scipy.fft import irfft, rfft

    at = np.log2(np.maximum(np.arange(len(bends)), 1))
    part = np.floor(_LEVELS_PER_OCTAVE * at).astype(int)
    said = np.bincount(part, bends)
    heard = np.flatnonzero(said > _LEAST_SHARE / _LEVELS_PER_OCTAVE * said.sum())
    one, other = (np.bincount(part, power * (pooled.weight > 0))[heard] for power in pooled.powers)
    # Beyond what is heard the level is taken to go on as it ends.
    level = np.interp(at, (heard + 0.5) / _LEVELS_PER_OCTAVE, 0.5 * np.log(other / one))
    cepstrum = irfft(level)
    cepstrum[len(level) :] = 0.0
    cepstrum[1 : len(level) - 1] *= 2.0
    phase = np.asarray(rfft(cepstrum)).imag
    return float(-np.sum(bends * phase / np.maximum(pooled.omega, 1e-9)) / np.sum(bends))


def _between_bands(omega: Floats, pull: Floats, bend: Floats, noise: Floats) -> tuple[float, float]:
    """Scatter of the delays of single octaves beyond their noise, and over it.

    Two mics' responses turn the phase over whole octaves, so it does not average out as noise does: the
    joint delay is one octave's as much as another's, and as far off as they are from one another.
    """
    octave = np.floor(_BANDS_PER_OCTAVE * np.log2(np.maximum(omega, 1.0))).astype(int)
    octave -= octave.min()
    bends, pulls, noises = (np.bincount(octave, values) for values in (bend, pull, noise))
    heard = bends > _LEAST_SHARE * bends.sum()
    if np.count_nonzero(heard) < 2:
        return 0.0, 1.0
    share = bends[heard] / bends[heard].sum()
    apart = pulls[heard] / bends[heard]
    expected = noises[heard] / bends[heard] ** 2
    freedom = np.count_nonzero(heard) - 1
    shown, by_noise = float(np.sum(share * apart**2)), float(np.sum(share * expected))
    beyond = max(0.0, shown - by_noise * (1.0 + _SIGMAS * math.sqrt(2.0 / freedom)))
    return math.sqrt(beyond), math.sqrt(shown / max(by_noise, 1e-300))


def _summit(weighted: Complexes, omega: Floats, lag_s: float) -> float | None:
    """Maximum of Σ Re(weighted·exp(jωτ)) near a lag; None where there is none."""
    for _ in range(6):
        turned = weighted * np.exp(1j * omega * lag_s)
        bend = float(np.sum(omega**2 * turned.real))
        if bend <= 0:
            return None
        lag_s -= float(np.sum(omega * turned.imag)) / bend
    return lag_s


@dataclass(frozen=True, kw_only=True)
class _Lobe:
    lag_s: float
    sign: int
    height: float
    #: Half the way to the next lobe, of either sign.
    half_apart_s: float
    #: Spread that comes from taking this lobe for another one.
    risk_s: float


def _highest_lobe(
    weighted: Complexes, size: int, rate_hz: int, *, lag_s: float, reach_s: float, noise: float
) -> _Lobe:
    """Highest lobe of either sign about a lag, and what its runner-up makes of it.

    Two lobes of heights J and rJ in the same noise σ change places with the probability
    Q(J/σ·sqrt((1-r)/2)), for their noises correlate by r.
    """
    from scipy.fft import irfft
    from scipy.special import erfc

    fine = 8
    curve = irfft(weighted, size * fine) * (size * fine / 2)
    step = 1.0 / (rate_hz * fine)
    reach_s = min(reach_s, 0.25 * size / rate_hz)
    lags = np.arange(round((lag_s - reach_s) / step), round((lag_s + reach_s) / step) + 1)
    heights = curve[lags]
    tall = np.abs(heights)
    top = np.flatnonzero((tall[1:-1] >= tall[:-2]) & (tall[1:-1] > tall[2:])) + 1
    if not len(top):
        middle = float(heights[len(heights) // 2])
        return _Lobe(lag_s=lag_s, sign=1, height=middle, half_apart_s=math.inf, risk_s=0.0)
    order = top[np.argsort(-tall[top])]
    best = int(order[0])
    risk = 0.0
    for other in order[1:5]:
        ratio = float(tall[other] / tall[best])
        sure = float(tall[best]) / max(noise, 1e-300) * math.sqrt((1.0 - ratio) / 2.0)
        risk += 0.5 * float(erfc(sure / math.sqrt(2.0))) * (float(other - best) * step) ** 2
    near = min((abs(int(other) - best) for other in top if other != best), default=len(lags))
    return _Lobe(
        lag_s=float(lags[best]) * step,
        sign=1 if heights[best] >= 0 else -1,
        height=float(tall[best]),
        half_apart_s=0.5 * near * step,
        risk_s=math.sqrt(risk),
    )
