"""As many sources as leaky mics, all sounding all the time, told apart by how their levels move.

At every frequency the covariance of the mics is a sum of one part per source, whose shapes stay while their
levels move on their own.  One set of shapes that makes the covariances of many moments diagonal at once is
found by rotations in closed form, exactly for two sources, in sweeps over all pairs of them for more; each
source is the one of the mic in which it is loudest beside the others.

Conventions
-----------
source k is that of mic k; covariance of mics m, n: mean of X_m·conj(X_n).

References
----------
Cardoso, J.-F. & Souloumiac, A. (1996), SIAM J. Matrix Anal. Appl. 17(1), 161-164: rotations in closed form.
Parra, L. & Spence, C. (2000), IEEE Trans. Speech Audio Proc. 8(3), 320-327: sources of changing level.
Tukey, J. W. (1958), Ann. Math. Stat. 29, 614: the jackknife.
"""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Complexes, Floats, Recording

#: Frames of 85 ms: longer than the leak's delay and a room's early sound, shorter than a syllable's change.
_FRAME_S = 0.085
#: Up to which frequency frames are so many times longer, and how many make a moment.  Rooms ring longer and
#: notes lie nearer than 12 Hz down there: shapes that are not those of one bin leave the octave at 125 Hz
#: wrong by 1.5 dB.  Fewer frames a moment and chance looks like movement, more and what moves averages away.
_LONGER = ((177.0, 8, 2), (707.0, 4, 3), (2828.0, 2, 3), (1e9, 1, 6))
#: Ten minutes of moments; longer takes are sampled evenly.
_MOST_MOMENTS = 2400
#: A moment this far under the loudest is a pause: its shape is that of the noise.
_QUIET_DB = 40.0
#: One source alone, or a silent mic, leaves a dimension empty: 80 dB under the first there is none.
_LEAST_DIMENSION = 1e-8
_FEWEST_MOMENTS = 24
#: Parts of the take that the jackknife leaves out in turn.
GROUPS = 12
#: Movement along the shapes over that across them, median of an octave's bins.  By chance the largest of
#: three equal eigenvalues exceeds the second by a half (120 moments of six frames); one source that moves
#: alone, over noise that stays, makes two.
LEAST_APART = 3.0
#: Rotations are small when a sweep over all pairs turns no bin by more.
_STILL, _MOST_SWEEPS = 1e-4, 20
#: Bins worked on at once.
_BINS = 128

#: Levels as log odds: isolations of 10 dB scatter by 6 in rooms (2·10/6² per dB).  Movement that correlates
#: by r over n moments: n/2·ln(1 − r²) against none (normal variables), half a unit by chance.
_PER_DB = 0.5
#: Movement is compared with that of the bins around, and then again in the order found.
_AROUND_OCTAVES, _PASSES = 1.0 / 3.0, 3

Shares = NDArray[np.float32]
Reason = Literal["found", "too_short"]


@dataclass(frozen=True, kw_only=True)
class Moments:
    """Covariances of the mics over time, in the frequencies that frames of one length are for.

    Attributes
    ----------
    matrix : ndarray of complex, shape (n_moments, n_mics, n_mics, n_bins)
        Mean of X_m·conj(X_n) in the scale of a one-sided power spectrum (`pool`).
    longer : int
        How many times longer its frames are than the shortest ones.
    n_frames : int
        Frames in each moment.
    first, stop : int
        Bins of the shortest frames that it is for; its own bins are those up to the last one's edge.
    """

    matrix: NDArray[np.complex64]
    longer: int
    n_frames: int
    first: int
    stop: int


@dataclass(frozen=True, kw_only=True)
class Parted:
    """What each source brings to the mics.

    Attributes
    ----------
    reason : str
        ``found``, or ``too_short`` (nothing else is filled in then).
    n_frames : int
        Shortest frames in all.
    frequency_hz : ndarray, shape (n_bins,)
    brought : ndarray of complex, shape (1 + GROUPS, n_bins, mic, mic, source)
        Covariance that each source brings over the whole take; then without one part of the take each.
    apart : ndarray, shape (n_bins, source)
        Movement of a source's level against the others' over what chance makes of it in six frames: 1 where
        it does not move.
    """

    reason: Reason
    sample_rate_hz: int
    fft_size: int
    n_frames: int
    frequency_hz: Floats
    brought: Complexes
    apart: Floats


def moments(recording: Recording) -> tuple[Moments, ...]:
    """Read the covariances of all tracks, low frequencies first.

    Two tracks at 48 kHz take 20 MB a minute, ten minutes at most.

    Parameters
    ----------
    recording : Recording
    """
    size = shortest_frame(recording.sample_rate_hz)
    found, first = [], 0
    for up_to_hz, longer, frames in _LONGER:
        stop = min(size // 2, int(up_to_hz / recording.sample_rate_hz * size)) + 1
        if stop > first:
            matrix = _matrix(recording, size * longer, frames, (stop - 1) * longer + longer // 2 + 1)
            found.append(Moments(matrix=matrix, longer=longer, n_frames=frames, first=first, stop=stop))
        first = max(first, stop)
    return tuple(found)


def shortest_frame(sample_rate_hz: int) -> int:
    """Give the samples of the shortest frames."""
    return int(2 ** round(np.log2(_FRAME_S * sample_rate_hz)))


def _matrix(recording: Recording, size: int, n_frames: int, n_bins: int) -> NDArray[np.complex64]:
    """Covariances of half-overlapping frames, ``(n_moments, n_mics, n_mics, n_bins)``."""
    from scipy import fft

    n_mics, hop = len(recording.track_names), size // 2
    n_bins = min(n_bins, hop + 1)
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    per_moment = hop * n_frames
    count = max(0, (recording.n_samples - hop) // per_moment)
    kept = np.linspace(0, count - 1, min(count, _MOST_MOMENTS)).astype(int).tolist()
    # One-sided power of a windowed signal: bins add up to the mean square.
    scale = 2.0 / (size * float(np.sum(window.astype(np.float64) ** 2)) * n_frames)
    matrix = np.empty((len(kept), n_mics, n_mics, n_bins), np.complex64)
    for row, k in enumerate(kept):
        samples = recording.read(k * per_moment, (k + 1) * per_moment + hop)
        frames = np.lib.stride_tricks.sliding_window_view(samples, size, axis=1)[:, ::hop]
        spectra = fft.rfft(frames * window, axis=2)[..., :n_bins]
        for m in range(n_mics):
            matrix[row, m] = np.sum(spectra[m] * np.conj(spectra), axis=1) * scale
    return matrix


def parted(recording: Recording) -> Parted:
    """Part the sources.

    Parameters
    ----------
    recording : Recording
        One track for each source.

    Returns
    -------
    Parted
        Frequencies that the take is too short for have no movement in them.
    """
    n_mics, rate = len(recording.track_names), recording.sample_rate_hz
    size = shortest_frame(rate)
    bands = moments(recording)
    found = len(bands[-1].matrix) >= _FEWEST_MOMENTS
    n_bins = size // 2 + 1
    brought = np.zeros((1 + GROUPS, n_bins, n_mics, n_mics, n_mics), np.complex128)
    apart = np.zeros((n_bins, n_mics))
    for band in bands if found else ():
        inside, count = slice(band.first, band.stop), len(band.matrix)
        if count < _FEWEST_MOMENTS:
            continue
        shape, movement = shapes(band.matrix)
        movement = _gathered(movement, band) / _gathered(np.ones((len(movement), 1)), band)
        # What chance makes goes with one over the frames of a moment.
        apart[inside] = 1.0 + (movement - 1.0) * _LONGER[-1][2] / band.n_frames
        brought[0, inside] = _gathered(_brought(shape), band)
        for number, part in enumerate(np.array_split(np.arange(count), GROUPS)):
            shape, _ = shapes(np.delete(band.matrix, part, axis=0))
            brought[1 + number, inside] = _gathered(_brought(shape), band)
    return Parted(
        reason="found" if found else "too_short",
        sample_rate_hz=rate,
        fft_size=size,
        n_frames=len(bands[-1].matrix) * _LONGER[-1][2],
        frequency_hz=np.asarray(np.fft.rfftfreq(size, 1.0 / rate), np.float64),
        brought=brought,
        apart=apart,
    )


def jackknife_std(values: Floats) -> Floats:
    """Spread what was worked out from all parts, then without each of them (first axis), by the jackknife."""
    left_out = values[1:]
    spread: Floats = np.sqrt((GROUPS - 1) / GROUPS * np.sum((left_out - left_out.mean(axis=0)) ** 2, axis=0))
    return spread


def _brought(shape: Complexes) -> Complexes:
    """Covariance that each source brings, ``(n_bins, mic, mic, source)``."""
    brought: Complexes = shape[:, :, None, :] * np.conj(shape[:, None, :, :])
    return brought


def _gathered(values: Any, band: Moments) -> Any:
    """Add up a band's own bins within each bin of the shortest frames; those between go half to either."""
    if band.longer == 1:
        return values[band.first : band.stop]
    half = band.longer // 2
    found = np.zeros((band.stop - band.first, *values.shape[1:]), values.dtype)
    for step in range(-half, half + 1):
        at = np.arange(band.first, band.stop) * band.longer + step
        share = np.where((at >= 0) & (at < len(values)), 0.5 if abs(step) == half else 1.0, 0.0)
        found += values[np.clip(at, 0, len(values) - 1)] * share.reshape(-1, *[1] * (values.ndim - 1))
    return found


def shapes(matrix: NDArray[np.complex64]) -> tuple[Complexes, Floats]:
    """Shapes of the sources at every frequency.

    Parameters
    ----------
    matrix : ndarray of complex, shape (n_moments, n_mics, n_mics, n_bins)

    Returns
    -------
    shape : ndarray of complex, shape (n_bins, mic, source)
    apart : ndarray, shape (n_bins, source)
        As in `Parted`.
    """
    found = [_of_bins(matrix[..., at : at + _BINS]) for at in range(0, matrix.shape[3], _BINS)]
    shape, apart, share = (np.concatenate(parts) for parts in zip(*found, strict=True))
    order = _order(shape, share, None)
    for _ in range(_PASSES):
        order = _order(shape, share, order)
    return np.take_along_axis(shape, order[:, None, :], 2), np.take_along_axis(apart, order, 1)


def _of_bins(matrix: NDArray[np.complex64]) -> tuple[Complexes, Floats, Shares]:
    """Shapes of some bins in any order, how far apart they move, and their shares of every moment's power."""
    n = matrix.shape[1]
    every = np.ascontiguousarray(matrix.reshape(len(matrix), n * n, -1).transpose(2, 1, 0), np.complex128)
    mean = every.mean(axis=2).reshape(-1, n, n)
    # Mics of any gain count alike.
    gain = np.sqrt(np.maximum(np.einsum("bmm->bm", mean).real, 1e-30))
    alike = mean / (gain[:, :, None] * gain[:, None, :])
    value, vector = np.linalg.eigh(alike)
    whole = value[:, 0] > _LEAST_DIMENSION * value[:, -1]
    value = np.maximum(value, _LEAST_DIMENSION * value[:, -1:] + 1e-30)
    adjoint = np.conj(np.swapaxes(vector, 1, 2))
    whiten = ((vector / np.sqrt(value)[:, None, :]) @ adjoint) / gain[:, None, :]
    back = (vector * np.sqrt(value)[:, None, :]) @ adjoint
    # W·C·W^H of all moments at once, as a product with the rows of C laid end to end.
    both = np.einsum("bij,bkl->bikjl", whiten, np.conj(whiten)).reshape(-1, n * n, n * n)
    white = both @ every
    rotation, apart = _rotation(_condensed(white, n))
    # Power of each source in every moment: the diagonal of U^H·Y·U, times what it brings on average.
    rows = np.einsum("bik,bjk->bkij", np.conj(rotation), rotation).reshape(-1, n, n * n)
    shape = back @ rotation
    power = np.maximum((rows @ white).real, 0.0) * np.sum(np.abs(shape) ** 2, axis=1)[:, :, None]
    share = (power / np.maximum(power.sum(axis=1, keepdims=True), 1e-30)).astype(np.float32)
    return gain[:, :, None] * shape, np.where(whole[:, None], apart, 0.0), share


def _condensed(white: Complexes, n: int) -> Complexes:
    """As few matrices as there are dimensions, ``(n_bins, k, n, n)``, that are off the diagonal alike.

    What is off the diagonal, squared and summed over all moments ``(n_bins, n·n, n_moments)``, only depends
    on the sum of the moments' outer products; its eigenvectors stand for them.
    """
    upper = np.triu_indices(n, 1)
    level = white[:, :: n + 1].real
    trace = level.sum(axis=1, keepdims=True)
    loud = trace > trace.max(axis=2, keepdims=True) * 10 ** (-_QUIET_DB / 10)
    corner = np.sqrt(2.0) * white[:, upper[0] * n + upper[1]]
    flat = np.concatenate([level, corner.real, corner.imag], axis=1) * (loud / np.maximum(trace, 1e-30))
    value, vector = np.linalg.eigh(flat @ np.swapaxes(flat, 1, 2))
    flat = np.swapaxes(vector * np.sqrt(np.maximum(value, 0.0))[:, None, :], 1, 2)
    found = np.zeros((*flat.shape[:2], n, n), np.complex128)
    pairs = len(upper[0])
    found[:, :, range(n), range(n)] = flat[:, :, :n]
    corner = (flat[:, :, n : n + pairs] + 1j * flat[:, :, n + pairs :]) / np.sqrt(2.0)
    found[:, :, upper[0], upper[1]] = corner
    found[:, :, upper[1], upper[0]] = np.conj(corner)
    return found


def _rotation(white: Complexes) -> tuple[Complexes, Floats]:
    """Rotation that makes all matrices as diagonal as one can, and how far apart the sources move."""
    n = white.shape[2]
    rotation: Complexes = np.broadcast_to(np.eye(n, dtype=np.complex128), (len(white), n, n)).copy()
    pairs = [(p, q) for p in range(n) for q in range(p + 1, n)]
    for _ in range(_MOST_SWEEPS):
        turned = 0.0
        for p, q in pairs:
            _, vector = np.linalg.eigh(_form(white, p, q))
            axis = vector[:, :, 2]
            axis = axis * np.where(axis[:, :1] < 0, -1.0, 1.0)
            c = np.sqrt((axis[:, 0] + 1.0) / 2.0)
            s = (axis[:, 1] - 1j * axis[:, 2]) / (2.0 * c)
            turned = max(turned, float(np.abs(s).max()))
            by = np.stack([np.stack([c + 0j, -np.conj(s)], 1), np.stack([s, c + 0j], 1)], 1)
            rotation[:, :, [p, q]] = rotation[:, :, [p, q]] @ by
            white[:, :, :, [p, q]] = white[:, :, :, [p, q]] @ by[:, None]
            white[:, :, [p, q]] = np.conj(np.swapaxes(by, 1, 2))[:, None] @ white[:, :, [p, q]]
        if turned < _STILL or len(pairs) == 1:
            break
    apart = np.full((len(white), n), np.inf)
    for p, q in pairs:
        form = _form(white, p, q)
        across = np.maximum(np.linalg.eigvalsh(form[:, 1:, 1:])[:, 1], 0.0) + 1e-30
        for source in (p, q):
            apart[:, source] = np.minimum(apart[:, source], form[:, 0, 0] / across)
    return rotation, apart


def _form(white: Complexes, p: int, q: int) -> Floats:
    """Half the squared corners after a rotation of two sources, as a quadratic form of its axis."""
    corner = white[:, :, p, q]
    axes = np.stack(
        [(white[:, :, p, p] - white[:, :, q, q]).real, 2.0 * corner.real, 2.0 * corner.imag], axis=2
    )
    form: Floats = np.swapaxes(axes, 1, 2) @ axes
    return form


def _order(shape: Complexes, share: Shares, before: NDArray[np.intp] | None) -> NDArray[np.intp]:
    """Which shape is the source of which mic, ``(n_bins, mic)``.

    Each is the one of the mic in which it is loudest beside the others, and its share moves over time as
    it does in the bins around: where a note of one source drowns the other, both shapes are the louder one's.
    """
    from scipy.optimize import linear_sum_assignment

    level_db = 20.0 * np.log10(np.abs(shape) + 1e-30)
    level_db -= level_db.mean(axis=1, keepdims=True)
    score = _PER_DB * np.swapaxes(level_db, 1, 2)
    if before is not None:
        moving = share - share.mean(axis=2, keepdims=True)
        moving /= np.sqrt(np.sum(moving**2, axis=2, keepdims=True)) + 1e-9
        sorted_moving = np.take_along_axis(moving, before[:, :, None], 1)
        around = np.concatenate([np.zeros_like(sorted_moving[:1]), np.cumsum(sorted_moving, axis=0)])
        place = np.arange(len(shape))
        low = np.floor(place * 2.0 ** (-_AROUND_OCTAVES)).astype(int)
        high = np.minimum(np.ceil(place * 2.0**_AROUND_OCTAVES).astype(int) + 1, len(shape))
        there = around[high] - around[low] - sorted_moving
        there /= np.sqrt(np.sum(there**2, axis=2, keepdims=True)) + 1e-9
        alike = np.clip(moving @ np.swapaxes(there, 1, 2), -0.999, 0.999)
        # A swap changes four terms that say nearly the same.
        score = score - 0.125 * share.shape[2] * np.sign(alike) * np.log1p(-(alike**2))
    return np.array([linear_sum_assignment(one, maximize=True)[1] for one in np.swapaxes(score, 1, 2)])
