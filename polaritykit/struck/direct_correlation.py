"""Windows of one source's hits to times on all tracks from the correlation of the direct sound.

Where a first arrival is buried (what another source began a moment earlier, a room, noise) the correlation of
what follows may still tell how late a track is.  It has rivals half a period and a reflection away, so it is
read several times over, in several bands, gates and halves of the hits; what most readings agree on counts,
and how far they lie apart is its spread.

Conventions
-----------
times
    seconds, their mean 0; a later track has the larger one.  One time per track, so differences close.
readings
    ``(n_readings, n_tracks)`` times.

References
----------
Knapp, C. H. & Carter, G. C. (1976), IEEE Trans. ASSP 24, 320-327 (the phase transform, averaged over hits).
Times that serve all pairs together: VanDecar, J. C. & Crosson, R. S. (1990), Bull. Seismol. Soc. Am. 80,
150-169.  (Both cited from memory.)
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Complexes, Floats, read_only
from polaritykit.struck.first_arrival import Arrivals

#: From the drum's fundamental to where near and far mics disagree; the first without what a cymbal
#: struck along brings.
_BANDS_HZ = ((100.0, 1500.0), (150.0, 3000.0))
#: Around the stroke on its home track: tracks may be early (electronic delay of the home track) or some
#: metres late; the second with more of the drum's ringing.
_GATES_MS = ((-8.0, 18.0), (-8.0, 42.0))
#: Power of the magnitude that is divided out; with 1 (phase transform) noise counts as much as sound.
_FLATNESS = 0.9
_REACH_MS = 25.0
_OVERSAMPLING = 4
#: A rival lies at least this far from the peak.
_APART_MS = 0.4
#: Weight of a pair whose curve has an equal rival, against one without any.
_LEAST_WEIGHT = 0.1
#: Readings this near to each other agree: half a period at 1.7 kHz, under a lobe of any drum.
AGREE_MS = 0.3
#: Where all readings but one of seven agree they are believed against a first arrival that does not ...
SURELY_AGREED = 0.85
#: ... and whose first millisecond has no more than a hundredth of the energy of theirs: filters ring
#: 40 to 56 dB below the sound before it, a direct sound under its reflections is not so faint.
_FORERUNNER_DB = -20.0


@dataclass(frozen=True, kw_only=True)
class DirectTimes:
    """Pairwise offsets of one source by the correlation of its direct sound; arrays (n_tracks, n_tracks)."""

    #: Antisymmetric, positive when b is later than a.
    offset_s: Floats
    std_s: Floats
    #: Share of the readings that lie within ``agree_ms`` of the offset.
    agreed: Floats


def direct_times(
    windows: Floats,
    zero: int,
    sample_rate_hz: int,
    picked_s: Floats,
) -> DirectTimes:
    """Time one source on all tracks by correlation.

    Parameters
    ----------
    windows : ndarray, shape (n_hits, n_tracks, n_samples)
    zero : int
        Sample of the reference time.
    sample_rate_hz : int
    picked_s : ndarray, shape (n_tracks,)
        First arrivals, however little they are worth: one reading more.

    Returns
    -------
    DirectTimes
    """
    curves, rate = [], 0.0
    n_hits = len(windows)
    halves = [slice(0, n_hits, 2), slice(1, n_hits, 2)] if n_hits > 1 else []
    for gate_ms in _GATES_MS:
        spectra, rate = _spectra(windows, zero, sample_rate_hz, gate_ms)
        curves += [_curves(spectra, band, rate) for band in _BANDS_HZ]
        parts = [_curves(spectra[half], _BANDS_HZ[0], rate) for half in halves]
        curves += parts if gate_ms == _GATES_MS[-1] else []
    n_whole = len(_GATES_MS) * len(_BANDS_HZ)
    whole = [curve for k, curve in enumerate(curves) if k < n_whole]
    best = _times(np.mean(whole, axis=0)) / rate
    readings = np.stack([*(_times(curve) / rate for curve in curves), picked_s])
    offset = best[None, :] - best[:, None]
    away = np.abs(readings[:, None, :] - readings[:, :, None] - offset)
    # Half the bin of the search on either side, evenly likely.
    bin_s = 1.0 / rate / np.sqrt(12.0)
    near = away <= AGREE_MS * 1e-3
    spread = np.sqrt((away**2 * near).sum(axis=0) / np.maximum(near.sum(axis=0), 1))
    return DirectTimes(
        offset_s=read_only(offset),
        std_s=read_only(np.hypot(spread, np.sqrt(2.0) * bin_s)),
        agreed=read_only(near.mean(axis=0)),
    )


def reconciled(
    arrivals: Arrivals,
    direct: DirectTimes,
    windows: Floats,
    *,
    zero: int,
    sample_rate_hz: int,
) -> tuple[Arrivals, NDArray[np.bool_]]:
    """Move the first arrivals that the surely correlating direct sound contradicts.

    A filter that rings before the sound, or a faint sound that began a moment earlier, is picked on one track
    and not on another; the correlation of what follows is then surely at another lag.  What is picked and not
    faint stays: a reflection may be louder than the direct sound before it.

    Parameters
    ----------
    arrivals : Arrivals
    direct : DirectTimes
    windows : ndarray, shape (n_hits, n_tracks, n_samples)
    zero : int
    sample_rate_hz : int

    Returns
    -------
    tuple
        Arrivals, and which tracks were moved, shape (n_tracks,).
    """
    picked = arrivals.arrival_s
    late = (picked[None, :] - picked[:, None]) - direct.offset_s
    sure = direct.agreed >= SURELY_AGREED
    np.fill_diagonal(sure, val=False)
    near = np.abs(late) <= AGREE_MS * 1e-3
    # The track that most others keep to; among equals the latest, since a forerunner is early.
    votes = (sure & near).sum(axis=1) - 1e-3 * np.where(sure, np.sign(late), 0.0).sum(axis=1)
    anchor = int(np.argmax(votes))
    moved = sure[anchor] & ~near[anchor]
    placed = np.where(moved, picked[anchor] + direct.offset_s[anchor], picked)
    millisecond = np.arange(round(1e-3 * sample_rate_hz))

    def energy(times_s: Floats) -> Floats:
        at = zero + np.round(times_s * sample_rate_hz).astype(np.int64)[:, None] + millisecond
        at = np.clip(at, 0, windows.shape[-1] - 1)
        cut = np.take_along_axis(windows, np.broadcast_to(at, (len(windows), *at.shape)), axis=-1)
        return np.asarray(np.median(np.sum(cut**2, axis=-1), axis=0))

    moved &= energy(picked) <= energy(placed) * 10 ** (_FORERUNNER_DB / 10)
    placed = np.where(moved, placed, picked)
    return replace(arrivals, arrival_s=read_only(placed)), moved


def _spectra(
    windows: Floats,
    zero: int,
    sample_rate_hz: int,
    gate_ms: tuple[float, float],
) -> tuple[Complexes, float]:
    """Spectra (n_hits, n_tracks, n_bins) of the gated hits, and the sample rate of curves made of them."""
    from scipy.fft import next_fast_len, rfft

    first, stop = (zero + round(ms * 1e-3 * sample_rate_hz) for ms in gate_ms)
    piece = windows[..., max(0, first) : stop]
    n = piece.shape[-1]
    rise, fall = round(0.003 * sample_rate_hz), n // 3
    taper = np.ones(n)
    taper[:rise] = np.sin(np.linspace(0.0, np.pi / 2, rise)) ** 2
    taper[-fall:] = np.cos(np.linspace(0.0, np.pi / 2, fall)) ** 2
    longest = max(after - before for before, after in _GATES_MS) + _REACH_MS
    size = next_fast_len(round(longest * 1e-3 * sample_rate_hz) + 1, real=True)
    spectra = rfft(piece * taper, size, axis=-1)
    top = max(high for _, high in _BANDS_HZ) * 1.5
    kept = min(spectra.shape[-1], int(np.ceil(top * size / sample_rate_hz)) + 1)
    rate = _OVERSAMPLING * 2.0 * (kept - 1) * sample_rate_hz / size
    return np.asarray(spectra[..., :kept]), rate


def _curves(spectra: Complexes, band_hz: tuple[float, float], rate: float) -> Floats:
    """Squared correlation of all pairs, largest 1 each, weighed by how far it stands out.

    Shape (n_tracks, n_tracks, 2·reach + 1).
    """
    from scipy.fft import irfft

    n_bins = spectra.shape[-1]
    size = _OVERSAMPLING * 2 * (n_bins - 1)
    frequency = np.arange(n_bins) * rate / size
    low, high = band_hz
    weight = 1.0 / (1.0 + (low / np.maximum(frequency, 1.0)) ** 6) / (1.0 + (frequency / high) ** 6)
    flat = spectra / np.maximum(np.abs(spectra), 1e-12) ** _FLATNESS
    cross = np.matmul(flat.transpose(2, 1, 0).conj(), flat.transpose(2, 0, 1)).transpose(1, 2, 0)
    curve = irfft(cross * weight, size, axis=-1)
    reach = round(_REACH_MS * 1e-3 * rate)
    curve = np.concatenate([curve[..., -reach:], curve[..., : reach + 1]], axis=-1) ** 2
    curve = curve / np.maximum(curve.max(axis=-1, keepdims=True), 1e-30)
    apart = round(_APART_MS * 1e-3 * rate)
    lags = np.arange(curve.shape[-1])
    elsewhere = np.abs(lags - curve.argmax(axis=-1)[..., None]) > apart
    rival = np.where(elsewhere, curve, 0.0).max(axis=-1)
    weighed = curve * (_LEAST_WEIGHT + 1.0 - rival)[..., None]
    weighed[np.arange(len(curve)), np.arange(len(curve))] = 0.0
    return np.asarray(weighed)


def _times(curves: Floats) -> Floats:
    """Find times (bins) that serve all pairs: the clearest track first, then the best fit, then all again."""
    n, width = curves.shape[0], curves.shape[-1]
    reach = (width - 1) // 2
    middle = 2 * reach
    place = np.zeros(n, dtype=np.int64)
    summed = np.zeros((n, 4 * reach + 1))
    left = set(range(n))
    track = int(curves.max(axis=-1).sum(axis=1).argmax())
    while True:
        left.discard(track)
        if not left:
            break
        start = int(np.clip(place[track] - reach + middle, 0, middle))
        summed[:, start : start + width] += curves[track]
        track = max(left, key=lambda other: float(summed[other].max()))
        place[track] = int(summed[track].argmax()) - middle
    for _ in range(2):
        for track in range(n):
            total = _summed(curves, place, track)
            place[track] = int(total.argmax()) - middle
    times = place.astype(np.float64)
    return np.asarray(times - times.mean())


def _summed(curves: Floats, place: NDArray[np.int64], track: int) -> Floats:
    """Curve of one track against all others at their places."""
    width = curves.shape[-1]
    reach = (width - 1) // 2
    total = np.zeros(4 * reach + 1)
    for other, at in enumerate(place):
        if other != track:
            start = int(np.clip(at + reach, 0, 2 * reach))
            total[start : start + width] += curves[other, track]
    return total
