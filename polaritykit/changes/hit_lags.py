"""How each track runs over the take: lag and sign of every hit of a source against its other hits.

From a source's home track to another track the way is the same for every hit, however the strokes differ.
Each hit's cross-spectrum with the home track is therefore compared with the mean of all hits on *its own*
track: neither room nor distance enters, and what is left is what changed from hit to hit.

Conventions
-----------
lag
    seconds; positive where this hit is later on this track, against the home track, than the other hits.
sign
    +1 or -1 against the track's mean hit; the mean's own sign is that of most hits.

References
----------
Align by the mean, average, repeat: Woody, C. D. (1967), Med. & biol. Engng 5, 539-553 (from memory).
"""

from dataclasses import dataclass

import numpy as np

from polaritykit.base.turns import turns
from polaritykit.base.types import Complexes, Floats, read_only

#: A hit is compared with the others of its kind from this much before its reference time ...
_HIT_BEFORE_MS = 15.0
#: ... to this much after it: far tracks and a digital link's latency are inside.
_HIT_AFTER_MS = 45.0
#: Band of that comparison: below, the drum's own swing hides the time; above, no two strokes are alike.
_HIT_BAND_HZ = (200.0, 3000.0)
#: The spectrum is flattened down to this far below its top, so that a ring does not turn into its
#: own neighbour.
_FLATTEN_DB = -25.0
#: Frequencies this far (as a share) below the home track's own level in a stroke count for less: no
#: sound, no time.
_WHITEN_FLOOR = 0.3
#: Largest change of a track within the take that is looked for (four metres of air, or 60 ppm for 200 s).
_HIT_REACH_MS = 12.0


@dataclass(frozen=True, kw_only=True)
class HitLags:
    """One source's hits on all tracks, arrays (n_hits, n_tracks) unless said."""

    #: Shape (n_hits,), seconds.
    times_s: Floats
    lag_s: Floats
    sign: Floats
    #: Correlation with the track's mean hit, 0 to 1.
    similarity: Floats


def read_hit_lags(
    windows: Floats,
    zero: int,
    times_s: Floats,
    sample_rate_hz: int,
    *,
    home: int,
) -> HitLags:
    """Follow one source's hits on every track.

    Parameters
    ----------
    windows : ndarray, shape (n_hits, n_tracks, n_samples)
    zero : int
        Sample of the reference time in every window.
    times_s : ndarray, shape (n_hits,)
        Reference times in the take.
    sample_rate_hz : int
    home : int
        The source's home track.

    Returns
    -------
    HitLags
    """
    spectra, rate = _spectra(windows, zero, sample_rate_hz)
    size = np.abs(spectra[:, home, None])
    floor = _WHITEN_FLOOR * np.sqrt(np.mean(size**2, axis=-1, keepdims=True))
    spectra = spectra * np.conj(spectra[:, home, None]) / np.maximum(size, floor + 1e-30)
    n_hits = len(spectra)
    reach = round(_HIT_REACH_MS * 1e-3 * rate)
    energy = _energy(spectra)
    best = _against(spectra, energy, spectra[n_hits // 2], reach, rate)
    for reference in {n_hits // 8, (3 * n_hits) // 8, (5 * n_hits) // 8, (7 * n_hits) // 8}:
        found = _against(spectra, energy, spectra[reference], reach, rate)
        better = np.median(found[2], axis=0) > np.median(best[2], axis=0)
        lag, sign, similarity = (np.where(better, new, old) for new, old in zip(found, best, strict=True))
        best = lag, sign, similarity
    lag, sign, _ = best
    frequency = np.arange(spectra.shape[-1]) * rate / _size(spectra)
    aligned = spectra * sign[..., None] * turns(frequency, -lag)
    lag, sign, similarity = _against(spectra, energy, aligned.mean(axis=0), reach, rate)
    return HitLags(
        times_s=read_only(np.asarray(times_s, dtype=np.float64)),
        lag_s=read_only(lag),
        sign=read_only(sign),
        similarity=read_only(similarity),
    )


def _size(spectra: Complexes) -> int:
    return 2 * (int(spectra.shape[-1]) - 1)


def _spectra(windows: Floats, zero: int, sample_rate_hz: int) -> tuple[Complexes, float]:
    """Spectra of the hits up to the band's end, flattened per track, and the sample rate they stand for."""
    from scipy.fft import rfft

    first = max(0, zero - round(_HIT_BEFORE_MS * 1e-3 * sample_rate_hz))
    stop = zero + round(_HIT_AFTER_MS * 1e-3 * sample_rate_hz)
    piece = windows[..., first:stop]
    n = piece.shape[-1]
    fade = round(0.003 * sample_rate_hz)
    taper = np.ones(n)
    taper[:fade] = np.sin(np.linspace(0.0, np.pi / 2, fade)) ** 2
    # The tail fades slowly: the attack tells the time, the ringing only the pitch.
    taper[zero - first :] *= np.cos(np.linspace(0.0, np.pi / 2, n - (zero - first))) ** 2
    size = 2 * n
    low, high = _HIT_BAND_HZ
    n_bins = int(2 ** np.ceil(np.log2(high * 1.15 * size / sample_rate_hz))) + 1
    spectra = np.zeros((*piece.shape[:-1], n_bins), dtype=complex)
    kept = min(n_bins, size // 2 + 1)
    # Hit by hit: what is worked out of one stays in the cache.
    for own, hit in zip(spectra, piece, strict=True):
        own[..., :kept] = rfft(hit * taper, size, axis=-1)[..., :kept]
    frequency = np.arange(n_bins) * sample_rate_hz / size
    band = np.clip((frequency - low / 2) / (low / 2), 0.0, 1.0) * np.clip(
        (high * 1.15 - frequency) / (high * 0.15), 0.0, 1.0
    )
    level = np.sqrt(np.mean(spectra.real**2 + spectra.imag**2, axis=0) + 1e-30)
    floor = level.max(axis=-1, keepdims=True) * 10 ** (_FLATTEN_DB / 20)
    return spectra * band / np.maximum(level, floor), 2 * (n_bins - 1) * sample_rate_hz / size


def _against(
    spectra: Complexes, energy: Floats, reference: Complexes, reach: int, rate: float
) -> tuple[Floats, Floats, Floats]:
    """Lag, sign and correlation of every hit against one reference per track."""
    from scipy.fft import irfft

    size = _size(spectra)
    curve = irfft(np.conj(reference) * spectra, size, axis=-1)
    curve = np.concatenate([curve[..., -reach:], curve[..., : reach + 1]], axis=-1)
    norm = np.sqrt(energy * _energy(reference))
    at = np.argmax(np.abs(curve), axis=-1)
    inner = np.clip(at, 1, curve.shape[-1] - 2)
    left, middle, right = (
        np.abs(np.take_along_axis(curve, (inner + step)[..., None], axis=-1)[..., 0]) for step in (-1, 0, 1)
    )
    bend = left - 2 * middle + right
    vertex = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1.0), 0.0)
    peak = np.take_along_axis(curve, at[..., None], axis=-1)[..., 0]
    return (
        (at - reach + np.where(inner == at, np.clip(vertex, -0.5, 0.5), 0.0)) / rate,
        np.where(peak >= 0, 1.0, -1.0),
        np.abs(peak) / np.maximum(norm, 1e-30),
    )


def _energy(spectra: Complexes) -> Floats:
    """Energy of the signal each spectrum stands for."""
    return np.asarray(2 * np.sum(spectra.real**2 + spectra.imag**2, axis=-1) / _size(spectra))
