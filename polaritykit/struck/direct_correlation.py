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

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.turns import turns
from polaritykit.base.types import Complexes, Floats, read_only
from polaritykit.struck.first_arrival import Arrivals

#: From the drum's fundamental to where near and far mics disagree; the first without what a cymbal
#: struck along brings.  Of a drum that is lower than `LOWEST_HZ` they begin and end lower in proportion: what
#: is above is not its own, a bass drum's least of all where a hat is struck with it ...
_BANDS_HZ = ((100.0, 1500.0), (150.0, 3000.0))
LOWEST_HZ = 200.0
#: ... but no lower than a gate holds a period.
_FLOOR_HZ = 50.0
#: Around the stroke on its home track: tracks may be early (electronic delay of the home track) or some
#: metres late; the second with more of the drum's ringing.
_GATES_MS = ((-8.0, 18.0), (-8.0, 42.0))
#: Power of the magnitude that is divided out; with 1 (phase transform) noise counts as much as sound.
_FLATNESS = 0.9
_REACH_MS = 25.0
_OVERSAMPLING = 4
#: Curves made together: what is done to them stays in the second-level cache.
_PAIRS_AT_ONCE = 32
#: A rival lies at least this far from the peak.
_APART_MS = 0.4
#: Weight of a pair whose curve has an equal rival, against one without any.
_LEAST_WEIGHT = 0.1
#: Readings this near to each other agree: half a period at 1.7 kHz, under a lobe of any drum.
AGREE_MS = 0.3
#: In low bands a head's size counts: its rim moves later than its middle, and a near mic hears less of it.
#: So much of a period more than at `LOWEST_HZ` (development kits).
_SIZE_PERIODS = 0.03
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
    #: Sign of the correlation there where all bands and gates have the same, 0 elsewhere.
    sign: Floats
    #: By how much the periods of the bands are longer than those of a drum at `LOWEST_HZ`: 1 where twice.
    longer: Floats


@dataclass(frozen=True, kw_only=True)
class GatedCross:
    """Flattened cross-spectra of all pairs in one gate, shape (n_pairs, n_bins), summed over hits.

    In single precision, as are the curves made of them: a time is a bin, and bins differ by far more.
    """

    whole: NDArray[np.complex64]
    #: Of every second hit, and of the others; none where the gate is not read by halves.
    halves: tuple[NDArray[np.complex64], ...]
    #: Of the curves made of them, Hz.
    rate: float


def gated_cross(windows: Floats, zero: int, sample_rate_hz: int) -> tuple[GatedCross, ...]:
    """Make the cross-spectra of the direct sound, in each gate.

    Parameters
    ----------
    windows : ndarray, shape (n_hits, n_tracks, n_samples)
    zero : int
        Sample of the reference time.
    sample_rate_hz : int
    """
    found = []
    for gate_ms in _GATES_MS:
        spectra, rate = _spectra(windows, zero, sample_rate_hz, gate_ms)
        halves: tuple[NDArray[np.complex64], ...] = ()
        if gate_ms == _GATES_MS[-1] and len(windows) > 1:
            halves = _cross(spectra[0::2]), _cross(spectra[1::2])
        whole = halves[0] + halves[1] if halves else _cross(spectra)
        found.append(GatedCross(whole=whole, halves=halves, rate=rate))
    return tuple(found)


def direct_times(
    gates: Sequence[GatedCross], picked_s: Floats, *, lowest_hz: float = LOWEST_HZ
) -> DirectTimes:
    """Time one source on all tracks by correlation.

    Parameters
    ----------
    gates : sequence of GatedCross
        From `gated_cross`.
    picked_s : ndarray, shape (n_tracks,)
        First arrivals, however little they are worth: one reading more.
    lowest_hz : float
        About where the source's energy lies on its home track (`centre_hz`).

    Returns
    -------
    DirectTimes
    """
    stretch = LOWEST_HZ / float(np.clip(lowest_hz, _FLOOR_HZ, LOWEST_HZ))
    bands = tuple((low / stretch, high / stretch) for low, high in _BANDS_HZ)
    agree_s, apart_s = stretch * AGREE_MS * 1e-3, stretch * _APART_MS * 1e-3
    n_tracks, rate = len(picked_s), gates[0].rate
    times = []
    summed = np.zeros(0, np.float32)
    for gate in gates:
        for band in bands:
            curves = _curves(gate.whole, band, rate, apart_s)
            times.append(fitting_times(curves, n_tracks) / rate)
            summed = np.add(summed, curves, out=summed) if len(summed) else curves
        times += [
            fitting_times(_curves(half, bands[0], rate, apart_s), n_tracks) / rate for half in gate.halves
        ]
    summed /= len(gates) * len(bands)
    best = fitting_times(summed, n_tracks) / rate
    readings = np.stack([*times, picked_s])
    offset = best[None, :] - best[:, None]
    away = np.abs(readings[:, None, :] - readings[:, :, None] - offset)
    # Half the bin of the search on either side, evenly likely.
    bin_s = 1.0 / rate / np.sqrt(12.0)
    near = away <= agree_s
    spread = np.sqrt((away**2 * near).sum(axis=0) / np.maximum(near.sum(axis=0), 1))
    size_s = _SIZE_PERIODS / LOWEST_HZ * (stretch - 1.0)
    return DirectTimes(
        offset_s=read_only(offset),
        std_s=read_only(np.sqrt(spread**2 + 2.0 * bin_s**2 + size_s**2)),
        agreed=read_only(near.mean(axis=0)),
        sign=read_only(_common_sign(offset, gates, bands)),
        longer=read_only(np.full(offset.shape, stretch - 1.0)),
    )


def with_sharper(low: DirectTimes, wide: DirectTimes) -> DirectTimes:
    """Take the reading in the usual bands where it surely is of the arrival that a low drum's own bands tell.

    A bass drum's beater is heard well above its own octaves, and timed ten times as sharply; where something
    else is up there the two do not agree.

    Parameters
    ----------
    low, wide : DirectTimes
        Of one source, in its own bands and in those of a drum at `LOWEST_HZ`.
    """
    apart_s = np.abs(low.offset_s - wide.offset_s)
    same = (wide.agreed >= SURELY_AGREED) & (apart_s <= AGREE_MS * 1e-3)
    return DirectTimes(
        offset_s=read_only(np.where(same, wide.offset_s, low.offset_s)),
        std_s=read_only(np.where(same, wide.std_s, low.std_s)),
        agreed=read_only(np.where(same, wide.agreed, low.agreed)),
        sign=read_only(np.where(same, wide.sign, low.sign)),
        longer=read_only(np.where(same, wide.longer, low.longer)),
    )


def centre_hz(strokes: Floats, zero: int, sample_rate_hz: int) -> float:
    """Frequency about which most of a source's energy lies, octaves alike (mean of its logarithm).

    Parameters
    ----------
    strokes : ndarray, shape (n_hits, n_samples)
        The home track.
    zero : int
        Sample of the reference time.
    sample_rate_hz : int
    """
    piece = strokes[:, zero : zero + round(_GATES_MS[-1][1] * 1e-3 * sample_rate_hz)]
    fade = np.cos(np.linspace(0.0, np.pi / 2, piece.shape[1])) ** 2
    power = np.abs(np.fft.rfft(piece * fade, axis=-1)[:, 1:]) ** 2
    share = (power / np.maximum(power.sum(axis=-1, keepdims=True), 1e-30)).mean(axis=0)
    octave = np.log2(np.arange(1, len(share) + 1) * sample_rate_hz / piece.shape[1])
    return float(2.0 ** (share @ octave / max(float(share.sum()), 1e-12)))


def _common_sign(
    offset_s: Floats, gates: Sequence[GatedCross], bands_hz: Sequence[tuple[float, float]]
) -> Floats:
    """Sign of the correlation at the offsets where all readings of it have the same, 0 elsewhere."""
    a, b = np.triu_indices(len(offset_s), 1)
    n_bins, rate = gates[0].whole.shape[-1], gates[0].rate
    weights = np.array([_in_band(n_bins, band, rate)[1] for band in bands_hz])
    turned = turns(_in_band(n_bins, bands_hz[0], rate)[0], -offset_s[a, b])
    signs = np.sign([(gate.whole * turned).real @ weights.T for gate in gates])
    same = np.abs(signs.sum(axis=(0, 2))) == signs.shape[0] * signs.shape[2]
    sign = np.zeros(offset_s.shape)
    sign[a, b] = sign[b, a] = np.where(same, signs[0, :, 0], 0.0)
    return sign


def _in_band(n_bins: int, band_hz: tuple[float, float], rate: float) -> tuple[Floats, Floats]:
    """Frequencies of the bins of cross-spectra, and their weights in a band."""
    frequency = np.arange(n_bins) * rate / (_OVERSAMPLING * 2 * (n_bins - 1))
    low, high = band_hz
    return frequency, 1.0 / (1.0 + (low / np.maximum(frequency, 1.0)) ** 6) / (1.0 + (frequency / high) ** 6)


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
    near = np.abs(late) <= (1.0 + direct.longer) * AGREE_MS * 1e-3
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
    """Flattened spectra (n_hits, n_tracks, n_bins) of the gated hits, and the rate of curves made of them."""
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
    top = max(high for _, high in _BANDS_HZ) * 1.5
    kept = min(size // 2 + 1, int(np.ceil(top * size / sample_rate_hz)) + 1)
    rate = _OVERSAMPLING * 2.0 * (kept - 1) * sample_rate_hz / size
    flat = np.empty((*piece.shape[:-1], kept), np.complex128)
    # Hit by hit: what is worked out of one stays in the cache.
    for own, hit in zip(flat, piece, strict=True):
        spectra = rfft(hit * taper, size, axis=-1)[..., :kept]
        np.divide(spectra, np.maximum(np.abs(spectra), 1e-12) ** _FLATNESS, out=own)
    return flat, rate


def _cross(flat: Complexes) -> NDArray[np.complex64]:
    """Sum over hits of conj(X_a)·X_b, shape (n_pairs, n_bins), a before b in the order of `triu_indices`."""
    by_bin = np.ascontiguousarray(flat.transpose(2, 0, 1))
    cross = np.matmul(by_bin.transpose(0, 2, 1).conj(), by_bin)
    a, b = np.triu_indices(flat.shape[1], 1)
    return np.ascontiguousarray(cross[:, a, b].T, dtype=np.complex64)


def _curves(
    cross: NDArray[np.complex64], band_hz: tuple[float, float], rate: float, apart_s: float
) -> NDArray[np.float32]:
    """Squared correlation of all pairs, largest 1 each, weighed by how far it stands out.

    Shape (n_pairs, 2·reach + 1); swapping a pair turns its curve round.
    """
    from scipy.fft import irfft

    n_bins = cross.shape[-1]
    size = _OVERSAMPLING * 2 * (n_bins - 1)
    weight = _in_band(n_bins, band_hz, rate)[1].astype(np.float32)
    reach = round(_REACH_MS * 1e-3 * rate)
    apart = np.arange(-round(apart_s * rate), round(apart_s * rate) + 1)
    curves = np.empty((len(cross), 2 * reach + 1), np.float32)
    for first in range(0, len(cross), _PAIRS_AT_ONCE):
        curve = curves[first : first + _PAIRS_AT_ONCE]
        whole = irfft(cross[first : first + _PAIRS_AT_ONCE] * weight, size, axis=-1)
        np.square(whole[:, -reach:], out=curve[:, :reach])
        np.square(whole[:, : reach + 1], out=curve[:, reach:])
        row, at = np.arange(len(curve))[:, None], curve.argmax(axis=-1)[:, None]
        curve /= np.maximum(curve[row, at], 1e-30)
        # The largest value elsewhere: the peak is taken out and put back.
        near = row, np.clip(at + apart, 0, 2 * reach)
        peak = curve[near]
        curve[near] = 0.0
        rival = curve.max(axis=-1, keepdims=True)
        curve[near] = peak
        curve *= _LEAST_WEIGHT + 1.0 - rival
    return curves


def fitting_times(curves: NDArray[np.floating], n_tracks: int) -> Floats:
    """Find times (bins) that serve all pairs: the clearest track first, then the best fit, then all again."""
    a, b = np.triu_indices(n_tracks, 1)
    highest = np.zeros((n_tracks, n_tracks))
    highest[a, b] = highest[b, a] = curves.max(axis=-1)
    width, reach = curves.shape[-1], (curves.shape[-1] - 1) // 2
    place = np.zeros(n_tracks, dtype=np.int64)
    # Of each track, by where it may lie: its curves against all that are placed.
    summed = np.zeros((n_tracks, 4 * reach + 1), curves.dtype)
    # The first pair of each track with a later one: these follow one another.
    first = np.cumsum([0, *range(n_tracks - 1, 0, -1)])

    def put(track: int, how: np.ufunc) -> NDArray[np.floating]:
        """Add a track at its place to all others', or take it away there; to earlier ones turned round."""
        start = min(max(int(place[track]) + reach, 0), 2 * reach)
        more = summed[:, start : start + width]
        earlier, later = more[:track], more[track + 1 :]
        how(earlier, curves[(first - np.arange(n_tracks))[:track] + track - 1, ::-1], out=earlier)
        how(later, curves[first[track] : first[track] + len(later)], out=later)
        return more

    left = np.ones(n_tracks, dtype=np.bool_)
    tallest = np.zeros(n_tracks)
    track = int(highest.sum(axis=1).argmax())
    while True:
        left[track] = False
        # What is added is nowhere negative: beyond it nothing has changed.
        tallest = np.maximum(tallest, put(track, np.add).max(axis=1))
        if not left.any():
            break
        track = int(np.where(left, tallest, -1.0).argmax())
        place[track] = int(summed[track].argmax()) - 2 * reach
    for track in [*range(n_tracks)] * 2:
        at = int(summed[track].argmax()) - 2 * reach
        if at != place[track]:
            put(track, np.subtract)
            place[track] = at
            put(track, np.add)
    times = place.astype(np.float64)
    return np.asarray(times - times.mean())
