"""Offset and sign of a pair from the phase of its coherent frequencies, for sound that goes on.

The cross-spectrum is whitened, weighted by coherence, and its correlation searched for the largest peak of
either sign; the peak is then refined below the sample by weighted least squares on the phase.

Conventions: offset of b against a in ms, positive when b hears the sound later; sign +1 or −1.
"""

from collections.abc import Sequence

import numpy as np

from polaritykit.base.hann import BINS_ALIKE, INDEPENDENT_FRAMES
from polaritykit.base.types import Complexes, Floats
from polaritykit.spectra.pool import Spectra, pooled
from polaritykit.spectra.records import SpectralOffset

#: Fewer frames tell chance from sound too badly: unrelated tracks reach a coherence of 1/n.
MIN_FRAMES = 8
#: Frequencies that count: below, rooms and rumble; above, no two microphones agree.
_BAND_HZ = (30.0, 16_000.0)
#: A frequency counts when chance gives its coherence less often than this.
_CHANCE = 0.01
#: Coherence above this weighs no more: a line of hum must not outweigh the music.
_COHERENCE_LIMIT = 0.95
#: Frequencies this far under the strongest are not looked at (dither, converter noise).
_RANGE_DB = 70.0
#: Weight by level to this power of the power: half way between none and plain correlation, so that a
#: quiet floor common to both tracks cannot pull the offset to 0.
_LEVEL_EXPONENT = 0.25
#: Octaves from here up have the same say in the sign; those below less, for filters turn them.
_EQUAL_OCTAVES_FROM_HZ = 250.0
#: The lag is looked for where the octaves' common curve reaches this share of its peak.
_NEAR_PEAK = 0.8
#: The peak stands this many standard deviations over what unrelated tracks would give.
_SIGNIFICANCE = 6.0

#: Unit vectors of neighbouring bins are less alike than the bins themselves: by 1.76 where all count, as the
#: correlation r of two bins becomes (π/4)·r·(1 + r²/8 + …) (closed form), and by 1.1 where strangers make few
#: of them count, which lie apart (simulation).
_VECTORS_ALIKE = 1.5
#: Lags per sample in the search: between them a whitened peak changes by 1 % at most.
_OVERSAMPLING = 4


def spectral_offset(
    parts: Sequence[Spectra], a: int = 0, b: int = 1, *, max_offset_ms: float
) -> SpectralOffset:
    """Offset of track ``b`` against ``a`` from the spectra of one or more parts of a take.

    With several sources the answer belongs to the one that dominates.

    Parameters
    ----------
    parts : sequence of Spectra
        Parts of one take, half-overlapping frames; their scatter gives the uncertainty (jackknife).
    a, b : int
        Tracks.
    max_offset_ms : float
        Largest offset looked for, of either sign.

    Returns
    -------
    SpectralOffset
        Without an offset, and with a reason, when nothing coherent is found.
    """
    whole = pooled(parts)
    if whole.n_frames < MIN_FRAMES:
        return _nothing("the take is too short to tell chance from sound")
    weight = coherent_weight(whole, a, b)
    if np.count_nonzero(weight) < 3:
        return _nothing("the two tracks share no sound above chance")
    turning = _whitened(whole, a, b)
    peak_s, sign, rival = _search(whole, weight * turning, max_offset_ms)
    omega = 2.0 * np.pi * whole.frequency_hz
    offset_s = peak_s
    for _ in range(5):
        offset_s += _newton_step(sign * weight * turning, omega, offset_s)
    # A step away to another peak would be a different answer: the search has the last word.
    if abs(offset_s - peak_s) > 1.0 / whole.sample_rate_hz:
        offset_s = peak_s
    height = float(np.sum(weight * (sign * turning * np.exp(1j * omega * offset_s)).real) / np.sum(weight))
    # Weighted mean of unit vectors of random phase: std √(Σw²/2)/Σw, of vectors that are alike.
    chance = float(np.sqrt(_VECTORS_ALIKE * np.sum(weight**2) / 2.0) / np.sum(weight))
    if height < _SIGNIFICANCE * chance:
        return _nothing("the phase of what they share points to no single delay")
    std_s = max(
        _jackknife_s(parts, whole, (a, b), sign * weight, offset_s),
        _octave_scatter_s(sign * weight * turning, omega, offset_s),
        phase_noise_s(whole, weight, a, b),
    )
    return SpectralOffset(
        offset_ms=1000.0 * offset_s,
        offset_std_ms=1000.0 * std_s,
        sign=sign,
        rival=rival,
        agreement=height,
        reason=None,
    )


def _nothing(reason: str) -> SpectralOffset:
    return SpectralOffset(offset_ms=None, offset_std_ms=0.0, sign=1, rival=1.0, agreement=0.0, reason=reason)


def unbiased_coherence(spectra: Spectra, a: int, b: int) -> Floats:
    """Coherence less what chance gives with few frames, 1/n on average (Carter, Knapp, Nuttall, 1973).

    Parameters
    ----------
    spectra : Spectra
    a, b : int
        Tracks.

    Returns
    -------
    ndarray, shape (n_bins,)
    """
    n = max(2.0, INDEPENDENT_FRAMES * spectra.n_frames)
    return np.maximum(0.0, (spectra.coherence(a, b) - 1.0 / n) / (1.0 - 1.0 / n))


def coherent_weight(spectra: Spectra, a: int, b: int) -> Floats:
    """Weight of each bin: γ²/(1−γ²) (Hannan and Thomson, 1973), zero where chance explains it.

    Parameters
    ----------
    spectra : Spectra
    a, b : int
        Tracks.

    Returns
    -------
    ndarray, shape (n_bins,)
    """
    n = max(2.0, INDEPENDENT_FRAMES * spectra.n_frames)
    level = np.sqrt(spectra.power[a] * spectra.power[b])
    low, high = _BAND_HZ
    band = (spectra.frequency_hz >= low) & (spectra.frequency_hz <= high)
    top = float(np.max(level[band], initial=0.0))
    # P(γ² > x) = (1−x)^(n−1) for unrelated tracks (Beta distribution; Carter and others, 1973).
    limit = 1.0 - _CHANCE ** (1.0 / (n - 1.0))
    chosen = band & (spectra.coherence(a, b) > limit) & (level > top * 10.0 ** (-_RANGE_DB / 10.0))
    coherence = np.minimum(unbiased_coherence(spectra, a, b), _COHERENCE_LIMIT)
    weight = coherence / (1.0 - coherence) * np.power(level / (top or 1.0), _LEVEL_EXPONENT)
    return np.where(chosen, weight, 0.0)


def _whitened(spectra: Spectra, a: int, b: int) -> Complexes:
    cross = spectra.cross(a, b)
    size = np.abs(cross)
    return np.divide(cross, size, out=np.zeros_like(cross), where=size > 0.0)


def _search(spectra: Spectra, weighted: Complexes, max_offset_ms: float) -> tuple[float, int, float]:
    """Lag of the peak in seconds, its sign, and the largest value of the other sign as a share of it.

    The sign is read where every octave has the same say: a lag wrong by half a period of the treble changes
    nothing in the octaves below.  The lag is then the sharpest peak of that sign near there.
    """
    octaves = weighted / np.maximum(spectra.frequency_hz, _EQUAL_OCTAVES_FROM_HZ)
    fair, sharp = (_curve(values, spectra, max_offset_ms) for values in (octaves, weighted))
    peak = int(np.argmax(np.abs(fair)))
    sign = 1 if fair[peak] > 0 else -1
    rival = float(np.max(-sign * fair) / np.abs(fair[peak]))
    near = sign * fair > _NEAR_PEAK * np.abs(fair[peak])
    lag = int(np.argmax(np.where(near, sign * sharp, -np.inf)))
    return (lag - len(fair) // 2) / (_OVERSAMPLING * spectra.sample_rate_hz), sign, rival


def _curve(weighted: Complexes, spectra: Spectra, max_offset_ms: float) -> Floats:
    """Correlation over lags −max…max, 1 where all phases agree."""
    from scipy import fft

    size = _OVERSAMPLING * spectra.fft_size
    # Σ w·Re(e^{jφ}·e^{j2πfτ}): the inverse real transform gives it for all lags at once, times 2/size.
    curve = fft.irfft(weighted, size) * (size / 2.0) / np.sum(np.abs(weighted))
    count = int(max_offset_ms / 1000.0 * _OVERSAMPLING * spectra.sample_rate_hz)
    count = min(count, size // 2 - 1)
    return np.concatenate([curve[size - count :], curve[: count + 1]])


def _newton_step(signed: Complexes, omega: Floats, offset_s: float) -> float:
    """One step up the correlation: weighted least squares on the phase; bins that disagree hardly count."""
    turned = signed * np.exp(1j * omega * offset_s)
    slope = -float(np.sum(omega * turned.imag))
    bend = float(np.sum(omega**2 * turned.real))
    return slope / bend if bend > 0.0 else 0.0


def _jackknife_s(
    parts: Sequence[Spectra], whole: Spectra, pair: tuple[int, int], signed_weight: Floats, offset_s: float
) -> float:
    """Uncertainty of the offset from leaving out one part after the other (Efron, 1982)."""
    if len(parts) < 3:
        return 0.0
    omega = 2.0 * np.pi * whole.frequency_hz
    total = whole.cross(*pair) * whole.n_frames
    offsets = []
    for part in parts:
        rest = total - part.cross(*pair) * part.n_frames
        size = np.abs(rest)
        turning: Complexes = np.divide(rest, size, out=np.zeros_like(rest), where=size > 0.0)
        offsets.append(_newton_step(signed_weight * turning, omega, offset_s))
    spread = np.asarray(offsets) - np.mean(offsets)
    return float(np.sqrt((len(parts) - 1) / len(parts) * np.sum(spread**2)))


def _octave_scatter_s(signed: Complexes, omega: Floats, offset_s: float) -> float:
    """Uncertainty from octaves that ask for different offsets: two mics are not one mic twice."""
    octave = np.floor(np.log2(np.maximum(omega, 1.0)))
    steps, says = [], []
    for number in np.unique(octave[np.abs(signed) > 0.0]):
        inside = octave == number
        step = _newton_step(signed[inside], omega[inside], offset_s)
        # An octave that has lost the thread (more than its own quarter period) says nothing about it.
        if abs(step) < np.pi / 2.0 / omega[inside].max():
            steps.append(step)
            says.append(float(np.sum(np.abs(signed[inside]) * omega[inside] ** 2)))
    if len(steps) < 3:
        return 0.0
    spread = np.asarray(steps) - np.average(steps, weights=says)
    return float(np.sqrt(np.average(spread**2, weights=says) / (len(steps) - 1)))


def phase_noise_s(spectra: Spectra, weight: Floats, a: int, b: int) -> float:
    """Least uncertainty of an offset: var φ = (1−γ²)/(2nγ²) per bin (Bendat and Piersol, Random Data).

    Parameters
    ----------
    spectra : Spectra
        Of half-overlapping Hann frames, whose neighbouring bins are alike.
    weight : ndarray, shape (n_bins,)
    a, b : int
        Tracks.

    Returns
    -------
    float
        Standard deviation, seconds.
    """
    n = max(2.0, INDEPENDENT_FRAMES * spectra.n_frames)
    coherence = np.clip(spectra.coherence(a, b), 1e-6, 1.0 - 1e-6)
    variance = (1.0 - coherence) / (2.0 * n * coherence)
    omega = 2.0 * np.pi * spectra.frequency_hz
    information = float(np.sum(weight * omega**2))
    return float(np.sqrt(BINS_ALIKE * np.sum((weight * omega) ** 2 * variance)) / information)
