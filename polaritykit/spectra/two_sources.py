"""Two sources in two leaky mics, both always sounding, told apart by how their levels move.

At every frequency the covariance of the two mics is a sum of two parts, one per source, whose shapes stay
while their levels move on their own.  One pair of shapes that makes the covariances of many moments diagonal
at once is found in closed form; the source that is louder in the main mic is the main one.

Conventions
-----------
mic and source 0 are the main ones, 1 the leaky ones; covariance of mics m, n: mean of X_m·conj(X_n).

References
----------
Cardoso, J.-F. & Souloumiac, A. (1996), SIAM J. Matrix Anal. Appl. 17(1), 161-164: rotation in closed form.
Parra, L. & Spence, C. (2000), IEEE Trans. Speech Audio Proc. 8(3), 320-327: sources of changing level.
Tukey, J. W. (1958), Ann. Math. Stat. 29, 614: the jackknife's pseudo-values.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hearing import AUDIBLE_DB
from polaritykit.base.octaves import OCTAVES_HZ, octave_bins
from polaritykit.base.types import Complexes, Floats, Recording
from polaritykit.spectra.pool import Spectra

#: Frames of 85 ms: longer than the leak's delay and a room's early sound, shorter than a syllable's change.
_FRAME_S = 0.085
#: Frames per moment: fewer and chance looks like movement, more and what moves averages away.
_FRAMES_PER_MOMENT = 6
#: A moment this far under the loudest is a pause: its shape is that of the noise.
_QUIET_DB = 40.0
#: One source alone, or a silent mic, has no second dimension: 80 dB under the first there is none.
_LEAST_SECOND = 1e-8
_FEWEST_MOMENTS = 24
_GROUPS = 12
#: Movement along the shapes over that across them, median of an octave's bins.  By chance the largest of
#: three equal eigenvalues exceeds the second by a half (120 moments); one source that moves alone, over noise
#: that stays, makes two.
_LEAST_APART = 3.0


@dataclass(frozen=True, kw_only=True)
class Moments:
    """Covariances of two mics over time.

    Attributes
    ----------
    power : ndarray, shape (n_moments, 2, n_bins)
        One-sided power as in `Spectra`.
    cross : ndarray of complex, shape (n_moments, n_bins)
        Mean of X_0·conj(X_1), in the same scale.
    """

    sample_rate_hz: int
    fft_size: int
    power: Floats
    cross: Complexes


def moments(recording: Recording) -> Moments:
    """Read the covariances of a two-track recording; 8 MB a minute at 48 kHz."""
    from scipy import fft

    rate = recording.sample_rate_hz
    size = 2 ** round(np.log2(_FRAME_S * rate))
    hop = size // 2
    window = np.hanning(size + 1)[:-1]
    per_moment = hop * _FRAMES_PER_MOMENT
    count = max(0, (recording.n_samples - hop) // per_moment)
    power = np.zeros((count, 2, size // 2 + 1), np.float32)
    cross = np.zeros((count, size // 2 + 1), np.complex64)
    for k in range(count):
        samples = recording.read(k * per_moment, (k + 1) * per_moment + hop)
        frames = np.lib.stride_tricks.sliding_window_view(samples, size, axis=1)[:, ::hop]
        spectra = fft.rfft(frames * window, axis=2)
        power[k] = np.mean(np.abs(spectra) ** 2, axis=1)
        cross[k] = np.mean(spectra[0] * np.conj(spectra[1]), axis=0)
    # One-sided power of a windowed signal: bins add up to the mean square.
    scale = 2.0 / (size * float(np.sum(window**2)))
    return Moments(sample_rate_hz=rate, fft_size=size, power=power * scale, cross=cross * scale)


@dataclass(frozen=True, kw_only=True)
class TwoSources:
    """What each source brings to the two mics.

    Attributes
    ----------
    main, leaky : list of Spectra
        Pseudo-values over parts of the take: their mean is the source as if alone, over the whole take, and
        their scatter (jackknife) its uncertainty.  Empty where nothing can be said.
    told : tuple of bool
        Octaves in which the two move apart by more than chance, and a flip's effect is known to 1 dB.
    flip_db, flip_std_db : ndarray, shape (2, n_octaves)
        Change of each source's level in the sum by a flip of one mic, and its jackknife deviation.
    reason : str
        ``found``, or ``too_short``, or ``never_apart``: their levels go up and down together.
    """

    reason: str
    main: list[Spectra]
    leaky: list[Spectra]
    frequency_hz: Floats
    told: tuple[bool, ...]
    flip_db: Floats
    flip_std_db: Floats


def two_sources(found: Moments, centres_hz: tuple[float, ...] = OCTAVES_HZ) -> TwoSources:
    """Part the sources.

    Parameters
    ----------
    found : Moments
        As `moments` reads them.
    centres_hz : tuple of float
        Octaves of which to say whether the two move apart in them.

    Returns
    -------
    TwoSources
    """
    frequency_hz: Floats = np.asarray(np.fft.rfftfreq(found.fft_size, 1.0 / found.sample_rate_hz), np.float64)
    unknown = np.zeros((2, len(centres_hz)))
    nothing = TwoSources(
        reason="too_short",
        main=[],
        leaky=[],
        frequency_hz=frequency_hz,
        told=(False,) * len(centres_hz),
        flip_db=unknown,
        flip_std_db=unknown,
    )
    count = len(found.power)
    if count < _FEWEST_MOMENTS:
        return nothing
    whole, moving = shapes(found.power, found.cross)
    without = []
    for part in np.array_split(np.arange(count), _GROUPS):
        kept = np.delete(np.arange(count), part)
        without.append(_brought(shapes(found.power[kept], found.cross[kept])[0]))
    bins = [octave_bins(frequency_hz, centre) for centre in centres_hz]
    flips = np.array([_flip_db(one, bins) for one in (_brought(whole), *without)])
    std = np.sqrt((_GROUPS - 1) / _GROUPS * np.sum((flips[1:] - flips[1:].mean(axis=0)) ** 2, axis=0))
    # What is not known to what one just hears is not told.
    told = tuple(
        bool(_median_in(moving, inside) > _LEAST_APART and np.all(one < AUDIBLE_DB))
        for inside, one in zip(bins, std.T, strict=True)
    )
    if not any(told):
        return replace(nothing, reason="never_apart")
    # Around the estimate itself, not their own mean: powers must not come out negative.
    mean = np.mean(without, axis=0)
    values = [_brought(whole) + (_GROUPS - 1) * (mean - one) for one in without]
    spectra = [
        [
            Spectra(
                sample_rate_hz=found.sample_rate_hz,
                fft_size=found.fft_size,
                frequency_hz=frequency_hz,
                power=np.stack([value[:, m, m, source].real for m in (0, 1)]),
                # `Spectra` conjugates the first mic.
                matrix=np.conj(value[..., source]),
                n_frames=count * _FRAMES_PER_MOMENT // _GROUPS,
            )
            for value in values
        ]
        for source in (0, 1)
    ]
    return TwoSources(
        reason="found",
        main=spectra[0],
        leaky=spectra[1],
        frequency_hz=frequency_hz,
        told=told,
        flip_db=flips[0],
        flip_std_db=std,
    )


def _flip_db(brought: Complexes, bins: list[NDArray[np.bool_]]) -> Floats:
    """Change of each source's level in the sum of both mics by a flip of one, ``(source, octave)``."""
    power = brought[:, 0, 0].real + brought[:, 1, 1].real
    crossing = 2.0 * brought[:, 0, 1].real
    found = np.zeros((2, len(bins)))
    for k, inside in enumerate(bins):
        whole, turned = power[inside].sum(axis=0) + 1e-30, crossing[inside].sum(axis=0)
        found[:, k] = 10.0 * np.log10(
            np.maximum(whole - turned, 1e-6 * whole) / np.maximum(whole + turned, 1e-6 * whole)
        )
    return found


def _median_in(values: Floats, bins: NDArray[np.bool_]) -> float:
    return float(np.median(values[bins])) if bins.any() else 0.0


def _brought(shape: Complexes) -> Complexes:
    """Covariance that each source brings, ``(n_bins, mic, mic, source)``."""
    brought: Complexes = shape[:, :, None, :] * np.conj(shape[:, None, :, :])
    return brought


def shapes(power: Floats, cross: Complexes) -> tuple[Complexes, Floats]:
    """Shapes of the two sources at every frequency.

    Parameters
    ----------
    power : ndarray, shape (n_moments, 2, n_bins)
    cross : ndarray of complex, shape (n_moments, n_bins)

    Returns
    -------
    found : ndarray of complex, shape (n_bins, mic, source)
        Scaled so that each source's mean power over all moments is in them; phase of the main mic 0.
    moving : ndarray, shape (n_bins,)
        Movement along the shapes found over that across them.
    """
    power = np.asarray(power, np.float64)
    cross = np.asarray(cross, np.complex128)
    whiten, back = _whitening(power.mean(axis=0), cross.mean(axis=0))
    rotation, moving = _rotation(*_whitened(power, cross, whiten))
    det = power.mean(axis=0).prod(axis=0) - np.abs(cross.mean(axis=0)) ** 2
    moving = np.where(det > _LEAST_SECOND * power.mean(axis=0).max(axis=0) ** 2 + 1e-60, moving, 0.0)
    found = back @ rotation
    found *= np.exp(-1j * np.angle(found[:, :1, :]))
    # The main source has the larger ratio of main over leaky mic.
    ratio = np.abs(found[:, 0]) / (np.abs(found[:, 1]) + 1e-30)
    swapped = ratio[:, 0] < ratio[:, 1]
    found[swapped] = found[swapped][:, :, ::-1]
    return found, moving


def _whitening(power: Floats, cross: Complexes) -> tuple[Complexes, Complexes]:
    """Inverse and plain square root of the mean covariances, each ``(n_bins, 2, 2)``."""
    mean = np.empty((power.shape[1], 2, 2), np.complex128)
    mean[:, 0, 0], mean[:, 1, 1] = power
    mean[:, 0, 1], mean[:, 1, 0] = cross, np.conj(cross)
    value, vector = np.linalg.eigh(mean)
    value = np.maximum(value, _LEAST_SECOND * value[:, 1:] + 1e-30)
    adjoint = np.conj(np.swapaxes(vector, 1, 2))
    inverse: Complexes = (vector / np.sqrt(value)[:, None, :]) @ adjoint
    plain: Complexes = (vector * np.sqrt(value)[:, None, :]) @ adjoint
    return inverse, plain


def _whitened(power: Floats, cross: Complexes, whiten: Complexes) -> tuple[Floats, Complexes]:
    """Half difference of the diagonal and the corner of every moment's whitened covariance over its trace."""
    a, b, d = whiten[:, 0, 0].real, whiten[:, 0, 1], whiten[:, 1, 1].real
    # W·C·W with W Hermitian, written out: 2 × 2 products of every moment at once would be many copies.
    first = a * power[:, 0] + b * np.conj(cross), a * cross + b * power[:, 1]
    second = np.conj(b) * power[:, 0] + d * np.conj(cross), np.conj(b) * cross + d * power[:, 1]
    top = (first[0] * a + first[1] * np.conj(b)).real
    corner = first[0] * b + first[1] * d
    bottom = (second[0] * b + second[1] * d).real
    trace = top + bottom
    loud = trace > trace.max(axis=0) * 10 ** (-_QUIET_DB / 10)
    weight = loud / np.maximum(trace, 1e-30)
    return (top - bottom) * weight, corner * weight


def _rotation(difference: Floats, corner: Complexes) -> tuple[Complexes, Floats]:
    """Rotation that makes all moments as diagonal as one can, ``(n_bins, 2, 2)``.

    The squared corners after a rotation are a quadratic form of its axis, a unit vector of three: the best
    axis is the eigenvector of the largest eigenvalue.
    """
    axes = np.stack([difference, 2.0 * corner.real, 2.0 * corner.imag], axis=2)
    # Movement is what departs from the mean, which whitening made round.
    form = np.einsum("tbi,tbj->bij", axes, axes, optimize=True)
    value, vector = np.linalg.eigh(form)
    axis = vector[:, :, 2]
    axis = axis * np.where(axis[:, :1] < 0, -1.0, 1.0)
    c = np.sqrt((axis[:, 0] + 1.0) / 2.0)
    s = (axis[:, 1] - 1j * axis[:, 2]) / (2.0 * c)
    rotation = np.empty((len(c), 2, 2), np.complex128)
    rotation[:, 0, 0], rotation[:, 1, 1] = c, c
    rotation[:, 1, 0], rotation[:, 0, 1] = s, -np.conj(s)
    return rotation, value[:, 2] / (np.maximum(value[:, 1], 0.0) + 1e-30)
