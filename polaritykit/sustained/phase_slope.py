"""Offset below the sample from windows of two tracks that hold the same sound.

Once one track is cut later by the whole samples of the offset, the phase between the two is a straight line
with little slope, and neighbouring frequencies may be averaged to see how coherent they are.  The slope is
the maximum-likelihood one: each frequency's cross-spectrum weighs γ²/(|S|·(1-γ²)).

Conventions
-----------
windows
    ``(n_windows, size)``, half-overlapping where they come from one piece of the take.
offset
    seconds; positive when the second track hears the sound later.

References
----------
Hannan, E. J. & Thomson, P. J. (1973), Biometrika 60(3), 553-566; Knapp, C. H. & Carter, G. C. (1976), IEEE
Trans. ASSP 24(4), 320-327: for a pure delay in noise it reaches the Cramér-Rao bound.
Carter, G. C., Knapp, C. H. & Nuttall, A. H. (1973), IEEE Trans. AU 21(4), 337-344: coherence by chance.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Complexes, Floats, Samples

#: Hann windows: correlation of neighbouring bins over all of them (closed form: 35/18), and independent
#: windows per half-overlapping one, 1/(1 + 2·(1/6)²) (Welch 1967).
_BINS_ALIKE = 35 / 18
_INDEPENDENT = 0.947
#: Independent values that make a coherence: fewer scatter too much, more blur the edges of a band.
_VALUES = 48
#: A bin counts where chance makes its coherence less often than this ...
_CHANCE = 0.01
#: ... and that of its wider surroundings less often than that: the square of the frequency makes a chance
#: bin in the treble outweigh a whole band of sound below.
_AROUND = 5
_CHANCE_AROUND = 1e-4
#: Coherence above this weighs no more: one line must not decide.
_MOST_COHERENT = 1.0 - 1e-4
_FEWEST_BINS = 8
#: Departures from the line over those of noise, as variances: those of an octave in a tenth of a second of
#: noise scatter by a fifth.
_STRAIGHT = 2.0


@dataclass(frozen=True, kw_only=True)
class Slope:
    """Offset with its standard deviation, seconds, and how well one delay explains the phase."""

    offset_s: float
    std_s: float
    #: The bins lie on the line as closely as noise lets them: one source, and hardly a reflection.
    straight: bool
    #: The lobe is the one that was asked for, of that sign.
    same_lobe: bool = True


def window_starts(n_samples: int, whole: int, most: int) -> tuple[NDArray[np.int64], int]:
    """Place half-overlapping windows that lie inside the take on both tracks.

    Parameters
    ----------
    n_samples : int
        Length of the take.
    whole : int
        The second track is cut so many samples later.
    most : int
        Longest window; a sixth of the take at most, for what the outer halves of the outer windows lose.

    Returns
    -------
    tuple
        Starts in the first track, and the windows' size.
    """
    first, stop = max(0, -whole), min(n_samples, n_samples - whole)
    size = min(most, max(16, (stop - first) // 6)) // 2 * 2
    count = max(1, round((stop - first - size) / (size / 2)) + 1)
    return np.linspace(first, stop - size, count).astype(np.int64), size


def cut(take: Samples, starts: NDArray[np.int64], size: int) -> Samples:
    """Windows of one track, shape (n_windows, size)."""
    return np.asarray(np.lib.stride_tricks.sliding_window_view(take, size)[starts])


def refine(
    windows_a: Samples,
    windows_b: Samples,
    whole: int,
    *,
    offset_s: float,
    sign: int,
    sample_rate_hz: int,
    lobes_s: float = 0.0,
) -> Slope | None:
    """Offset from the slope of the phase over all coherent bins.

    Parameters
    ----------
    windows_a, windows_b : ndarray, shape (n_windows, size)
        Those of b begin ``whole`` samples later.
    whole : int
    offset_s : float
        First value, right within a fraction of the shortest period.
    sign : int
        Polarity, +1 or -1.
    sample_rate_hz : int
    lobes_s : float
        So far about the first value the highest lobe of either sign is looked for: of a narrow band in noise
        the weighted curve finds it better than one in which all bins have the same say.

    Returns
    -------
    Slope or None
        None where too few bins are coherent.
    """
    from scipy.fft import rfft

    n, size = windows_a.shape
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    a, b = (rfft(x * window, axis=-1) for x in (windows_a, windows_b))
    cross = sign * np.mean(np.conj(a) * b, axis=0)
    power_a, power_b = (np.mean(np.abs(x) ** 2, axis=0) for x in (a, b))
    weight, incoherent = _weights(cross, power_a, power_b, n)
    if np.count_nonzero(weight) < _FEWEST_BINS:
        return None
    omega = 2 * np.pi * np.arange(len(cross)) * sample_rate_hz / size
    left = offset_s - whole / sample_rate_hz
    same_lobe, risk = True, 0.0
    noise = float(np.sum(weight**2 * incoherent)) * _BINS_ALIKE / (2.0 * max(1.0, _INDEPENDENT * n))
    if lobes_s > 0:
        lobe = _highest_lobe(
            weight * cross, size, sample_rate_hz, lag_s=left, reach_s=lobes_s, noise=math.sqrt(noise)
        )
        same_lobe = lobe.sign > 0 and abs(lobe.lag_s - left) < lobe.half_apart_s
        left, cross, risk = lobe.lag_s, lobe.sign * cross, lobe.risk_s
    for _ in range(6):
        turned = weight * cross * np.exp(1j * omega * left)
        bend = float(np.sum(omega**2 * turned.real))
        if bend <= 0:
            return None
        left -= float(np.sum(omega * turned.imag)) / bend
    # What the coherence promises, and what the bins' departures from the line show.
    values = 2.0 * max(1.0, _INDEPENDENT * n)
    promised = float(np.sum((weight * omega) ** 2 * incoherent)) / values
    shown = float(np.sum((omega * turned.imag) ** 2))
    return Slope(
        offset_s=whole / sample_rate_hz + left,
        std_s=math.hypot(math.sqrt(_BINS_ALIKE * max(promised, shown)) / bend, risk),
        straight=shown <= _STRAIGHT * promised,
        same_lobe=same_lobe,
    )


@dataclass(frozen=True, kw_only=True)
class _Lobe:
    lag_s: float
    sign: int
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
    lags = np.arange(round((lag_s - reach_s) / step), round((lag_s + reach_s) / step) + 1)
    heights = curve[lags]
    tall = np.abs(heights)
    top = np.flatnonzero((tall[1:-1] >= tall[:-2]) & (tall[1:-1] > tall[2:])) + 1
    if not len(top):
        return _Lobe(lag_s=lag_s, sign=1, half_apart_s=reach_s, risk_s=0.0)
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
        half_apart_s=0.5 * near * step,
        risk_s=math.sqrt(risk),
    )


def _weights(cross: Complexes, power_a: Floats, power_b: Floats, n_windows: int) -> tuple[Floats, Floats]:
    """Weight of each bin, and the power of each bin's cross-spectrum that is not coherent."""
    n = max(1.0, _INDEPENDENT * n_windows)
    width = max(1, round(_VALUES / n * _BINS_ALIKE))
    size, power, values = _smoothed(cross, power_a, power_b, width=width, n=n)
    around, around_power, around_values = _smoothed(cross, power_a, power_b, width=_AROUND * width, n=n)
    counts = (size**2 > _by_chance(_CHANCE, values) * power) & (
        around**2 > _by_chance(_CHANCE_AROUND, around_values) * around_power
    )
    counts[0] = False
    # E[γ²] = 1/n without coherence.
    raw = size**2 / np.maximum(power, 1e-300)
    coherence = np.clip((raw - 1.0 / values) / (1.0 - 1.0 / values), 0.0, _MOST_COHERENT)
    weight = np.where(counts, coherence / ((1.0 - coherence) * np.maximum(size, 1e-300)), 0.0)
    return weight, power * (1.0 - coherence)


def _smoothed(
    cross: Complexes, power_a: Floats, power_b: Floats, *, width: int, n: float
) -> tuple[Floats, Floats, float]:
    """Size of the cross-spectrum and product of the powers over neighbouring bins; values in each mean.

    The cross-spectrum is smoothed as it is: aligned, its phase hardly turns from bin to bin.
    """
    from scipy.ndimage import uniform_filter1d

    size = np.hypot(uniform_filter1d(cross.real, width), uniform_filter1d(cross.imag, width))
    power = uniform_filter1d(power_a, width) * uniform_filter1d(power_b, width)
    return size, power, max(n * max(1.0, width / _BINS_ALIKE), 1.5)


def _by_chance(probability: float, values: float) -> float:
    """Coherence that unrelated tracks exceed with this probability: P(γ² > x) = (1-x)^(n-1)."""
    return float(1.0 - probability ** (1.0 / (values - 1.0)))
