"""A quick look at a home with every other track: which of them the frames could say anything of.

Most tracks of a large session share nothing.  What is asked of a pair's frames later is asked here first of
rounded phases, with less to pass: who passes is read in full, and nobody else.  The peak of the pooled phase
is the curve that is read later, a rounding and a coarser grid apart.  Frames that lie on a line or a step of
lags are counted with less to do, against half of what is needed; where they could, the rounded phases are
asked what the full ones will be asked.

Conventions: as in `polaritykit.changes.frame_lags`.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats
from polaritykit.changes.frame_lags import restless
from polaritykit.changes.frame_line import GROUPS, LEAST_FRAMES, least_on_line, on_line
from polaritykit.changes.frame_step import LEAST_STRENGTH
from polaritykit.sustained.frame_phases import FramePhases
from polaritykit.sustained.phase_curve import FEWEST_BINS, MIN_SIGNIFICANCE, OVERSAMPLE

#: A curve of rounded phases on its grid lies this near to the true one: two phases are off by 1e-4 at most
#: (a turn / 65536) where the least peak asked for is 13/sqrt(2·64 frames·1400 bins) = 0.03, and a peak lies
#: half a lag from the grid at most, where cos(2π·8 kHz·5.2 µs) = 0.966 is left at the top of the band.
_ROUNDED = 0.96
#: Lags of a pooled curve to one of a frame's, half of those it is read at later.
_OVERSAMPLE = OVERSAMPLE // 2
#: Of what a line or a step of lags must show later, half is asked for: on a grid of half the band's period a
#: frame's peak keeps two thirds of its height (sinc of the band at a quarter of a period), and three quarters
#: of a step's frames lie on its side of the next group's edge, two thirds of them at least.  Chance reaches a
#: fifth of the line's frames, and sqrt(2 ln(4000 lags · 14 sums)) = 4.7 of 12, seldom on both sides.
_HALF = 0.55
#: From so many frames on every second one tells whether they lie on a line, of which there must be 0.45 of
#: what there were of all: with 26 of 64 on it fewer than six of 32 are one time in five hundred.
_MANY_FRAMES, _HALF_OF_HALF = 48, 0.45
#: Tracks looked at together: their curves stay within some megabytes.
_TOGETHER = 8
#: Every so many-th lag tells how high the curves are by chance, within three in a hundred.
_THINNED = 32

Phasors = NDArray[np.complex64]
Curves = NDArray[np.float32]


def near_tracks(phases: FramePhases, place: int, others: Sequence[int], search_ms: float) -> list[int]:
    """Tracks of which a home's frames could tell an offset or a change.

    Parameters
    ----------
    phases : FramePhases
    place : int
        Of the home in ``phases.homes``.
    others : sequence of int
        Tracks to look at.
    search_ms : float
        Largest offset looked for, of either sign.

    Returns
    -------
    list of int
        Those of `others`, in their order; the rest shows nothing in these frames.
    """
    if not len(phases.rows[place]):
        return []
    parts = [list(others[at : at + _TOGETHER]) for at in range(0, len(others), _TOGETHER)]
    return [track for part in parts for track in _near(phases, place, part, search_ms)]


def _near(phases: FramePhases, place: int, others: list[int], search_ms: float) -> list[int]:
    phasor = phases.phasors(place, others)
    audible = phases.audible[place]
    used = audible[others] & audible[phases.homes[place]]
    mean = phasor.mean(axis=0)
    reach = min(round(search_ms * 1e-3 * phases.sample_rate_hz), phases.size // 4)
    n = len(phasor)
    kept = _strength(phases, mean, used, n=n, reach=reach, above=1.0) >= _ROUNDED * MIN_SIGNIFICANCE
    if n >= LEAST_FRAMES:
        kept |= _strength(phases, mean, used, n=n, reach=reach, above=3.0) >= _ROUNDED * LEAST_STRENGTH
        rest = np.flatnonzero(~kept & (used.sum(axis=1) >= FEWEST_BINS))
        if len(rest):
            both = phasor if len(rest) == len(others) else phasor[:, rest]
            moving = rest[_restless(phases, both, used[rest], place, reach)]
            kept[moving] = [_changes(phases, phasor[:, one], used[one], place, reach) for one in moving]
    return [track for track, keep in zip(others, kept, strict=True) if keep]


def _strength(
    phases: FramePhases, mean: Phasors, used: NDArray[np.bool_], *, n: int, reach: int, above: float
) -> Floats:
    """Peak of the pooled phase in units of chance; 0 where too few bins are coherent to read one.

    Bins weigh by their coherence of phase above so many times chance, as they do when they are read.
    """
    weight = np.where(used, np.sqrt(np.maximum(np.abs(mean) ** 2 - above / n, 0.0)), 0.0)
    chance = np.sqrt(np.sum(weight**2, axis=1) / 2 / n)
    size = phases.size * _OVERSAMPLE
    tall = _tallest(_curves(phases, weight, mean, size), reach * _OVERSAMPLE) * np.float32(size / 2)
    enough = np.count_nonzero(weight, axis=1) >= FEWEST_BINS
    return np.asarray(np.where(enough, tall / np.maximum(chance, 1e-30), 0.0))


def _curves(phases: FramePhases, weight: NDArray[Any], spectra: Phasors, size: int) -> Curves:
    """Mean over a frame's two-sided spectrum of the weighted bins of each row, at `size` lags to a frame.

    Lag 0 first, negative ones last; size / 2 times that is the sum over the bins.
    """
    from scipy.fft import irfft

    *rows, n_bins = spectra.shape
    padded = np.zeros((*rows, size // 2 + 1), np.complex64)
    np.multiply(weight, spectra, out=padded[..., phases.first : phases.first + n_bins], casting="same_kind")
    return np.asarray(irfft(padded, size, axis=-1, overwrite_x=True), np.float32)


def _tallest(curves: Curves, reach: int) -> Curves:
    """Largest size at lags -reach..reach of curves with lag 0 first."""
    parts = curves[..., -reach:], curves[..., : reach + 1]
    sizes = [np.maximum(part.max(axis=-1), -part.min(axis=-1)) for part in parts]
    return np.asarray(np.maximum(*sizes))


def _changes(phases: FramePhases, phasor: Phasors, used: NDArray[np.bool_], place: int, reach: int) -> bool:
    """Whether what is asked of a pair's frames finds a line or a step in their rounded phases."""
    bins = np.zeros(phases.size // 2 + 1, np.bool_)
    bins[phases.first : phases.first + len(used)] = used
    times = phases.times_s(place)
    return restless(np.asarray(phasor[:, used], np.complex128), bins, times, phases.sample_rate_hz, reach)


def _restless(
    phases: FramePhases, phasor: Phasors, used: NDArray[np.bool_], place: int, reach: int
) -> NDArray[np.bool_]:
    """Whether single frames could lie on a line of lags over time, or on two sides of a step."""
    every = 2 if len(phasor) >= _MANY_FRAMES else 1
    times = phases.times_s(place)[::every]
    top = phases.first + phasor.shape[2]
    size = min(phases.size, 1 << int(np.ceil(np.log2(2 * top))))
    step = phases.size // size
    lags = -(-reach // step)
    signed = _curves(phases, used, phasor[::every], size)
    curves = np.empty((*signed.shape[:-1], 2 * lags + 1), np.float32)
    np.abs(signed[..., -lags:], out=curves[..., :lags])
    np.abs(signed[..., : lags + 1], out=curves[..., lags:])
    noise = np.median(curves[..., ::_THINNED], axis=(0, 2)) * np.float32(size / 2) / 0.6745
    found = _could_step(phases, phasor, used, reach) >= _HALF * LEAST_STRENGTH * np.maximum(noise, 1e-30)
    at = curves.argmax(axis=2)
    sign = np.sign(np.take_along_axis(signed, (at - lags)[..., None] % size, axis=2)[..., 0])
    lag = (at - lags) * step / phases.sample_rate_hz
    least = least_on_line(len(phasor)) * (_HALF if every == 1 else _HALF_OF_HALF / every)
    for other in np.flatnonzero(~found):
        found[other] = on_line(lag[:, other], sign[:, other], times).sum() >= least
    return np.asarray(found)


def _could_step(phases: FramePhases, phasor: Phasors, used: NDArray[np.bool_], reach: int) -> Floats:
    """Height over the root of their frames that the two sides of an edge between groups both reach."""
    edges = np.linspace(0, len(phasor), GROUPS + 1).astype(int)
    groups = list(pairwise(edges.tolist()))
    # Added up before they are transformed, and row by row, as `reduceat` does, and faster.
    sums = np.stack([phasor[first:stop].sum(axis=0) for first, stop in groups])
    curves = _curves(phases, used, sums, phases.size)
    counts = np.diff(edges)
    before, after = (_heights(curves[::way], counts[::way], reach) for way in (1, -1))
    return np.asarray(np.minimum(before, after[::-1]).max(axis=0) * (phases.size / 2))


def _heights(sums: Curves, counts: NDArray[np.int64], reach: int) -> Floats:
    """Highest peaks of the groups' curves added up one after another, over the root of their frames."""
    highest = []
    total = sums[0].copy()
    # The last one adds up all of them: no side of an edge.
    for curve in sums[1:]:
        highest.append(_tallest(total, reach))
        total += curve
    return np.asarray(np.stack(highest) / np.sqrt(np.cumsum(counts)[:-1])[:, None])
