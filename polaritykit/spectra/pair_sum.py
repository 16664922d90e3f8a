"""Summed response and band levels of a pair from its measured spectra: as recorded, flipped, aligned, both.

The sum of *a* and a delayed (and perhaps inverted) *b* follows from the two auto-spectra and the
cross-spectrum alone, so the result is exact for the audio that was measured.

Conventions
-----------
spectra
    `PairSpectra`: auto-spectra are power, the cross-spectrum is ``conj(X_a) * X_b`` with nothing aligned;
    a *b* that is late by ``t`` turns it by ``exp(-2j*pi*f*t)``.
delay_ms
    Delay given to *b*; negative advances it (the same sum as delaying *a*).  Aligning a pair whose offset is
    ``+2`` (b late) is ``delay_ms=-2``.
levels
    dB of the sum's power against the power sum of *a* and *b*: 0 dB when nothing adds or cancels, +3.01 dB
    when equal tracks agree.  Never under `FLOOR_DB`.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hearing import HEARING_HZ
from polaritykit.base.turns import turns
from polaritykit.base.types import Complexes, Floats, read_only
from polaritykit.spectra.records import BandGains, BandLevels, FrequencyBands, PairSpectra

#: Width of the smoothing: a twenty-fourth of an octave still shows the notches of 3 ms at 8 kHz.
_BANDS_PER_OCTAVE = 24
#: Points of the curve: twice the width, so that no notch falls between two points.
_POINTS_PER_OCTAVE = 2 * _BANDS_PER_OCTAVE
#: Nothing is shown deeper: -20 dB of the power sum asks for 13 % agreement in level and 8 degrees in
#: phase (closed form), about as close as two microphones come.
FLOOR_DB = -20.0
#: An edge of a band is often a bin's own frequency.
_ROUNDING_HZ = 1e-6
#: Share of a source's energy that makes "the source's band".
_ENERGY_SHARE = 0.8


def log_bands(frequency_hz: Floats) -> FrequencyBands:
    """Log-spaced bands as runs of bins of a frequency grid.

    Band *k* has its centre at 20 Hz · 2**(k/48), up to 20 kHz, and takes the bins within centre · 2**(±1/48);
    where no bin lies in it (low centres), the nearest bin.
    Neighbours that take the same bins become one.

    Parameters
    ----------
    frequency_hz : (n_bins,) array
        Increasing frequencies in Hz.

    Returns
    -------
    FrequencyBands
        Centres in Hz, and first and last bin (both inclusive) of each band.
    """
    highest = min(HEARING_HZ[1], float(frequency_hz[-1]))
    octaves = np.log2(highest / HEARING_HZ[0])
    steps = np.arange(int(octaves * _POINTS_PER_OCTAVE) + 1)
    centre = HEARING_HZ[0] * 2.0 ** (steps / _POINTS_PER_OCTAVE)
    half = 2.0 ** (0.5 / _BANDS_PER_OCTAVE)
    first = np.searchsorted(frequency_hz, centre / half, side="left")
    last = np.searchsorted(frequency_hz, centre * half, side="right") - 1
    nearest = np.argmin(np.abs(frequency_hz[:, None] - centre[None, :]), axis=0)
    empty = last < first
    runs = np.stack([np.where(empty, nearest, first), np.where(empty, nearest, last)])
    # Where the grid is coarser than the points, several take the same bins: one point says it, not a stair.
    unique, where = np.unique(runs, axis=1, return_inverse=True)
    mean_log = np.bincount(where.ravel(), np.log2(centre)) / np.bincount(where.ravel())
    return FrequencyBands(
        centre_hz=read_only(2.0**mean_log),
        first=tuple(int(k) for k in unique[0]),
        last=tuple(int(k) for k in unique[1]),
    )


def summed_response(
    spectra: PairSpectra,
    bands: FrequencyBands,
    *,
    delay_ms: float = 0.0,
    invert: bool = False,
) -> Floats:
    """Level of ``a + s*b(t - delay)`` against the power sum of *a* and *b*, over frequency.

    Parameters
    ----------
    spectra : PairSpectra
        Spectra of the pair as recorded.
    bands : FrequencyBands
        The points of the curve; power is summed over the bins of each.
    delay_ms : float
        Delay given to *b* in ms; negative advances it.
    invert : bool
        Whether *b* is flipped.

    Returns
    -------
    (n_bands,) array
        Levels in dB.  Bands without any power read 0 dB: nothing is cancelled there.
    """
    total = _over_bands(spectra.auto_a + spectra.auto_b, bands)
    crossing = _over_bands(2.0 * np.real(_turned(spectra, delay_ms, invert=invert)), bands)
    return _level_db(total + crossing, total)


def band_coherence(spectra: PairSpectra, bands: FrequencyBands, *, offset_ms: float) -> Floats:
    """Magnitude-squared coherence in each band, with *b* advanced by the pair's offset.

    ``|sum C|**2 / (sum A * sum B)`` over the bins of the band (Bendat and Piersol, Random Data); alignment
    keeps the delay itself from reading as incoherence.  Zero where a track has no power.

    Parameters
    ----------
    spectra : PairSpectra
    bands : FrequencyBands
    offset_ms : float
        Of the pair; positive when *b* hears the sound later.
    """
    crossing = _over_bands(np.real(_turned(spectra, -offset_ms)), bands) ** 2
    crossing += _over_bands(np.imag(_turned(spectra, -offset_ms)), bands) ** 2
    power = _over_bands(spectra.auto_a, bands) * _over_bands(spectra.auto_b, bands)
    return np.divide(crossing, power, out=np.zeros_like(power), where=power > 0.0)


def band_phase_deg(
    spectra: PairSpectra, bands: FrequencyBands, *, delay_ms: float = 0.0, invert: bool = False
) -> Floats:
    """Phase of *b* against *a* in each band, in degrees within ±180; negative when b is late.

    Parameters
    ----------
    spectra : PairSpectra
    bands : FrequencyBands
    delay_ms : float
        Given to *b*.
    invert : bool
        Whether *b* is flipped.
    """
    turned = _turned(spectra, delay_ms, invert=invert)
    return np.degrees(np.arctan2(_over_bands(np.imag(turned), bands), _over_bands(np.real(turned), bands)))


def sum_level_db(
    spectra: PairSpectra,
    *,
    band_hz: tuple[float, float],
    delay_ms: float = 0.0,
    invert: bool = False,
) -> float | None:
    """Level of the sum in one band against the power sum of *a* and *b*.

    Parameters
    ----------
    spectra : PairSpectra
        Spectra of the pair as recorded.
    band_hz : (float, float)
        Lower and upper edge; bins on an edge belong to the band.
    delay_ms : float
        Delay given to *b* in ms; negative advances it.
    invert : bool
        Whether *b* is flipped.

    Returns
    -------
    float or None
        Level in dB; None when the band holds no power.
    """
    chosen = _in_band(spectra.frequency_hz, band_hz)
    total = np.array([(spectra.auto_a[chosen] + spectra.auto_b[chosen]).sum()])
    if total[0] <= 0.0:
        return None
    crossing = 2.0 * _crossing(spectra, chosen, delay_ms)
    return float(_level_db(total - crossing if invert else total + crossing, total)[0])


def band_gains(
    spectra: PairSpectra,
    *,
    offset_ms: float,
    band_hz: tuple[float, float],
) -> BandGains | None:
    """Level of the sum in one band for the four options, and the change against as recorded.

    Parameters
    ----------
    spectra : PairSpectra
        Spectra of the pair as recorded.
    offset_ms : float
        Offset of *b* against *a*, positive when b is late; aligning advances b by it.
    band_hz : (float, float)
        The band that carries the source's energy (`energy_band`).

    Returns
    -------
    BandGains or None
        None when the band holds no power.
    """
    chosen = _in_band(spectra.frequency_hz, band_hz)
    total = float((spectra.auto_a[chosen] + spectra.auto_b[chosen]).sum())
    if total <= 0.0:
        return None
    crossing = [2.0 * _crossing(spectra, chosen, delay_ms) for delay_ms in (0.0, -offset_ms)]
    powers = np.array([total + sign * part for part in crossing for sign in (1.0, -1.0)])
    recorded, flipped, aligned, both = _level_db(powers, np.full(4, total)).tolist()
    return BandGains(
        level_db=BandLevels(as_recorded=recorded, flipped=flipped, aligned=aligned, aligned_flipped=both),
        flipped_db=flipped - recorded,
        aligned_db=aligned - recorded,
        aligned_flipped_db=both - recorded,
    )


def sum_effects_db(
    spectra: PairSpectra, bands_hz: Sequence[tuple[float, float]], delays_ms: Sequence[float]
) -> list[float | None]:
    """How much fuller the sum is than the difference, with the two tracks brought to one level first.

    ``D = 10 log10((1 + r) / (1 - r))`` with ``r`` the correlation in the band.  Positive: leave the polarity;
    negative: flipping is fuller by that much.

    Parameters
    ----------
    spectra : PairSpectra
    bands_hz : sequence of (float, float)
    delays_ms : sequence of float
        Given to *b*, one a band.

    Returns
    -------
    list of float or None
        dB within ± `FLOOR_DB`; None when a track has no power in the band.
    """
    if not bands_hz:
        return []
    low, high = np.array(bands_hz).T
    first = spectra.frequency_hz.searchsorted(low - _ROUNDING_HZ)
    stop = np.maximum(first, spectra.frequency_hz.searchsorted(high + _ROUNDING_HZ, side="right"))
    inside = slice(int(first.min()), int(stop.max()))
    first, stop = first - inside.start, stop - inside.start
    cross, delays_s = spectra.cross[inside], np.asarray(delays_ms) * 1e-3
    power = np.ones(len(delays_s))
    for auto in (spectra.auto_a, spectra.auto_b):
        power *= run_sums(auto[inside], first, stop)
    r = run_sums(cross.real, first, stop)
    late = np.flatnonzero(delays_s)
    for row, turned in zip(late, turns(spectra.frequency_hz[inside], delays_s[late]), strict=True):
        r[row] = (cross[first[row] : stop[row]] @ turned[first[row] : stop[row]]).real
    r /= np.sqrt(np.where(power > 0.0, power, 1.0))
    effects = 10.0 * (np.log10(np.maximum(1.0 + r, 1e-9)) - np.log10(np.maximum(1.0 - r, 1e-9)))
    told = np.clip(effects, FLOOR_DB, -FLOOR_DB).tolist()
    return [effect if any_ else None for effect, any_ in zip(told, power > 0.0, strict=True)]


def run_sums(values: Floats, first: NDArray[np.int64], stop: NDArray[np.int64]) -> Floats:
    """Sum of values[first:stop] for each of many runs, 0 where one is empty.

    Parameters
    ----------
    values : ndarray
    first, stop : ndarray of int
    """
    ended = np.zeros(len(values) + 1)
    ended[:-1] = values
    ends = np.empty(2 * len(first), np.int64)
    ends[::2], ends[1::2] = first, stop
    # Every other run lies between two that are asked for.
    return np.asarray(np.where(stop > first, np.add.reduceat(ended, ends)[::2], 0.0))


def energy_band(
    power: Floats, frequency_hz: Floats, share: float | None = None
) -> tuple[float, float] | None:
    """Band that carries most of a source's energy: what is left outside is split evenly below and above.

    Parameters
    ----------
    power : (n_bins,) array
        Power spectrum of the source, on a linear frequency grid.
    frequency_hz : (n_bins,) array
        Its frequencies in Hz; those below hearing are left out.
    share : float, optional
        Share of the energy inside the band; four fifths when left out.

    Returns
    -------
    (float, float) or None
        Edges in Hz, lower first; None when there is no power.
    """
    inside = _ENERGY_SHARE if share is None else share
    audible = np.where(frequency_hz >= HEARING_HZ[0], power, 0.0)
    running = np.cumsum(audible)
    if running[-1] <= 0.0:
        return None
    outside = 0.5 * (1.0 - inside)
    low = int(np.searchsorted(running, outside * running[-1], side="right"))
    high = int(np.searchsorted(running, (1.0 - outside) * running[-1], side="left"))
    last = frequency_hz.shape[0] - 1
    return float(frequency_hz[min(low, last)]), float(frequency_hz[min(max(low, high), last)])


def _turned(spectra: PairSpectra, delay_ms: float, *, invert: bool = False) -> Complexes:
    """Cross-spectrum after giving b a delay and a sign."""
    turn = turns(spectra.frequency_hz, delay_ms * 1e-3)
    return spectra.cross * (-turn if invert else turn)


def _crossing(spectra: PairSpectra, chosen: slice, delay_ms: float) -> float:
    """Real part of the cross-spectrum of some bins with b delayed, added up."""
    cross = spectra.cross[chosen]
    if delay_ms:
        cross = cross * turns(spectra.frequency_hz[chosen], delay_ms * 1e-3)
    return float(cross.real.sum())


def _over_bands(values: Floats, bands: FrequencyBands) -> Floats:
    """Sum over the bins of each band."""
    runs = zip(bands.first, bands.last, strict=True)
    return np.array([np.sum(values[first : last + 1]) for first, last in runs])


def _in_band(frequency_hz: Floats, band_hz: tuple[float, float]) -> slice:
    """Bins of a band, edges included."""
    low, high = band_hz
    return slice(
        int(frequency_hz.searchsorted(low - _ROUNDING_HZ)),
        int(frequency_hz.searchsorted(high + _ROUNDING_HZ, side="right")),
    )


def _level_db(power: Floats, reference: Floats) -> Floats:
    """Power ratio in dB, not under the floor; 0 dB where the reference is zero."""
    floor = 10.0 ** (FLOOR_DB / 10.0)
    ratio = np.divide(power, reference, out=np.ones_like(power), where=reference > 0.0)
    level: Floats = 10.0 * np.log10(np.maximum(ratio, floor))
    return level
