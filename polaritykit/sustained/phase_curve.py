"""Frames of two tracks to one curve over lags: where it peaks, with which sign, and how sure that is.

Bins whose phase is the same in every frame carry the delay, all others average away.  Whether parts of the
spectrum agree on the peak, and how far the next opposite lobe stays below, tell how sure the sign is.

Conventions
-----------
offset
    seconds; positive when the second track hears the sound later.
coherence of phase
    magnitude of the averaged unit phasors, 0 to 1; about 1/sqrt(n_frames) for unrelated tracks.

References
----------
Phase transform: Knapp, C. H. & Carter, G. C. (1976), IEEE Trans. ASSP 24(4), 320-327.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Complexes, Floats, read_only
from polaritykit.sustained.mains import least_left

#: Band looked at; inside it, bins must stand above this range below the strongest.
BAND_HZ = (100.0, 8000.0)
BIN_RANGE_DB = 60.0
#: Fewest bins that can carry a delay.
FEWEST_BINS = 12
#: Peaks below this many times the chance level of a curve of independent bins say nothing.  Of
#: M = 2·40 ms·2·8 kHz lags the largest of pure noise exceeds sqrt(2 ln(M/0.001)) = 5.3 in one pair of a
#: thousand; weights taken from the same frames raise that by sqrt(3) (closed form), the Hann window's
#: neighbours by sqrt(35/18) (closed form): 12.8.  Unrelated takes in one key and tempo reached 10.
MIN_SIGNIFICANCE = 13.0
#: ... and so below twice the least the phase of coherent bins must confirm the peak.
SURE_SIGNIFICANCE = 2.0 * MIN_SIGNIFICANCE
#: Values of a curve to a sample.
OVERSAMPLE = 4
#: Lobes nearer to the peak than so many periods of the mean frequency are its own: of a band of one octave
#: the envelope has fallen to a fifth there.
_OWN_PERIODS = 2.0
#: Opposite lobe over peak: a band of one octave gives .83 (sinc of the bandwidth), where the polarities
#: look alike.
MAX_RIVAL = 0.8


@dataclass(frozen=True, kw_only=True)
class PhaseCurve:
    """What one pair shows in one set of frames."""

    #: Signed correlation at each lag, shape (n_lags,), scaled so that a pure delay peaks at +1 or -1.
    curve: Floats
    lag_s: Floats
    offset_s: float
    sign: int
    #: Largest opposite-sign value over the peak, anywhere in the search.
    rival: float
    #: What it would be if all parts of the spectrum agreed: that of the band alone.
    rival_of_band: float
    #: Peak in units of the curve's chance level.
    significance: float
    #: The same without the bins that the harmonics of 50 or of 60 Hz could fill, whichever leaves less ...
    significance_without_mains: float
    #: ... and what is left of it.
    share_without_mains: float
    #: Peak over the root-mean-square of the curve away from it.
    peak_over_rest: float
    #: Peak over what it would be if all that the frames have in common came by one way: a room's reflections
    #: scatter the phase about a line, noise does not.
    alignment: float
    #: Highest value of either sign beyond the peak's own lobes, over the peak, and how far off it lies.
    other_peak: float
    other_peak_apart_s: float
    #: Peak lies at the edge of the search.
    at_edge: bool
    #: Share (by weight) of the spectrum's parts that show the same sign at that offset.
    unison: float
    #: Bandwidth that carries the evidence, octaves.
    octaves: float
    #: Root-mean-square frequency of the evidence.
    mean_hz: float


def phase_curve(
    spectra_a: Complexes, spectra_b: Complexes, sample_rate_hz: int, *, search_ms: float
) -> PhaseCurve | None:
    """Delay and sign of b against a from frames of both.

    Parameters
    ----------
    spectra_a, spectra_b : ndarray of complex, shape (n_frames, n_bins)
    sample_rate_hz : int
    search_ms : float
        Largest offset looked for, of either sign.

    Returns
    -------
    PhaseCurve or None
        None where no bin carries a common phase.
    """
    from scipy.fft import irfft

    n_frames, n_bins = spectra_a.shape
    size = 2 * (n_bins - 1)
    cross = np.conj(spectra_a) * spectra_b
    phasor = (cross / np.maximum(np.abs(cross), 1e-30)).mean(axis=0)
    frequency = np.arange(n_bins) * sample_rate_hz / size
    weight = _weights(phasor, spectra_a, spectra_b, frequency)
    total = float(weight.sum())
    if np.count_nonzero(weight) < FEWEST_BINS:
        return None
    oversample = OVERSAMPLE
    reach = min(round(search_ms * 1e-3 * sample_rate_hz), size // 4) * oversample
    lag_s = np.arange(-reach, reach + 1) / (sample_rate_hz * oversample)
    # A unit-gain copy gives exactly one at its delay: half the two-sided spectrum is summed.
    spectrum = np.zeros(size * oversample // 2 + 1, dtype=complex)
    spectrum[:n_bins] = weight * phasor / total
    in_phase = np.zeros_like(spectrum)
    in_phase[:n_bins] = weight / total

    def transform(values: Complexes) -> Floats:
        full = irfft(values) * (size * oversample / 2)
        return np.concatenate([full[-reach:], full[: reach + 1]])

    curve = transform(spectrum)
    at = int(np.argmax(np.abs(curve)))
    sign = 1 if curve[at] >= 0 else -1
    chance = np.sqrt(np.sum(weight**2) / 2 / n_frames) / total
    significance = float(abs(curve[at]) / max(chance, 1e-30))
    if significance < MIN_SIGNIFICANCE:
        return _faint(curve, lag_s, at, significance)
    at_offset = sign * np.real(phasor * np.exp(2j * np.pi * frequency * lag_s[at]))
    rival = max(0.0, float((-sign * curve).max() / abs(curve[at])))
    unison, octaves = _parts(weight, at_offset, frequency)
    powers = np.mean(np.abs(spectra_a) ** 2, axis=0), np.mean(np.abs(spectra_b) ** 2, axis=0)
    mean_hz = float(np.sqrt(np.sum(weight * frequency**2) / total))
    other_peak, apart_s = _other_peak(curve, lag_s, at, _OWN_PERIODS / mean_hz)
    without, share = least_left(weight, at_offset * math.sqrt(n_frames), powers, float(frequency[1]))
    return PhaseCurve(
        curve=read_only(curve),
        lag_s=read_only(lag_s),
        offset_s=float(lag_s[at]) + _vertex(np.abs(curve), at) * float(lag_s[1] - lag_s[0]),
        sign=sign,
        rival=rival,
        rival_of_band=max(0.0, float(-transform(in_phase).min())),
        significance=significance,
        significance_without_mains=without,
        share_without_mains=share,
        peak_over_rest=_over_rest(curve, at),
        alignment=float(abs(curve[at])) * total / float(np.sum(weight**2)),
        other_peak=other_peak,
        other_peak_apart_s=apart_s,
        at_edge=at <= oversample or at >= len(curve) - 1 - oversample,
        unison=unison,
        octaves=octaves,
        mean_hz=mean_hz,
    )


def _faint(curve: Floats, lag_s: Floats, at: int, significance: float) -> PhaseCurve:
    """Return a curve whose peak says nothing: most pairs of a large session; nothing more is asked of it."""
    return PhaseCurve(
        curve=read_only(curve),
        lag_s=read_only(lag_s),
        offset_s=float(lag_s[at]),
        sign=1 if curve[at] >= 0 else -1,
        rival=1.0,
        rival_of_band=1.0,
        significance=significance,
        significance_without_mains=0.0,
        share_without_mains=1.0,
        peak_over_rest=0.0,
        alignment=0.0,
        other_peak=1.0,
        other_peak_apart_s=math.inf,
        at_edge=False,
        unison=0.0,
        octaves=0.0,
        mean_hz=0.0,
    )


def _over_rest(curve: Floats, at: int) -> float:
    """Peak over the root-mean-square of the curve further away than a tenth of the search."""
    far = np.abs(np.arange(len(curve)) - at) > len(curve) // 20
    return float(np.abs(curve[at]) / max(float(np.sqrt(np.mean(curve[far] ** 2))), 1e-30))


def _other_peak(curve: Floats, lag_s: Floats, at: int, own_s: float) -> tuple[float, float]:
    """Highest value of either sign further away than the peak's own lobes, over the peak; and how far."""
    apart_s = np.abs(lag_s - lag_s[at])
    tall = np.where(apart_s > own_s, np.abs(curve), 0.0)
    other = int(np.argmax(tall))
    return float(tall[other] / abs(curve[at])), float(apart_s[other])


def _vertex(values: Floats, at: int) -> float:
    """Vertex of the parabola through three samples about ``at``, in samples; 0 at the ends."""
    if not 0 < at < len(values) - 1:
        return 0.0
    left, middle, right = values[at - 1 : at + 2]
    bend = left - 2 * middle + right
    return float(0.5 * (left - right) / bend) if bend else 0.0


def audible_bins(spectra_a: Complexes, spectra_b: Complexes, frequency: Floats) -> NDArray[np.bool_]:
    """Bins inside the band in which both tracks have sound.

    Parameters
    ----------
    spectra_a, spectra_b : ndarray of complex, shape (n_frames, n_bins)
    frequency : ndarray, shape (n_bins,)
        Hz.

    Returns
    -------
    ndarray of bool, shape (n_bins,)
    """
    low, high = BAND_HZ
    inside = (frequency >= low) & (frequency <= high)
    for spectra in (spectra_a, spectra_b):
        power = np.mean(np.abs(spectra) ** 2, axis=0)
        inside &= power >= power[inside].max(initial=0.0) * 10 ** (-BIN_RANGE_DB / 10)
    return np.asarray(inside)


def _weights(phasor: Complexes, spectra_a: Complexes, spectra_b: Complexes, frequency: Floats) -> Floats:
    """Weight of each bin: its coherence of phase above chance, inside the band, where both have sound."""
    inside = audible_bins(spectra_a, spectra_b, frequency)
    # For unrelated tracks |phasor|^2 is exponential with mean 1/n.
    excess = np.maximum(np.abs(phasor) ** 2 - 1.0 / len(spectra_a), 0.0)
    return np.asarray(np.where(inside, np.sqrt(excess), 0.0))


def _parts(weight: Floats, agreement: Floats, frequency: Floats) -> tuple[float, float]:
    """Share of half-octave parts (by weight) that agree in sign, and the octaves that carry weight."""
    used = weight > 0
    part = np.floor(2 * np.log2(np.maximum(frequency, 1.0))).astype(np.int64)
    total, agreeing, n_parts = 0.0, 0.0, 0
    for label in np.unique(part[used]):
        inside = used & (part == label)
        value, mass = float(np.sum(weight[inside] * agreement[inside])), float(weight[inside].sum())
        total += mass
        agreeing += mass if value > 0 else 0.0
        n_parts += mass > 0.02 * float(weight.sum())
    return agreeing / max(total, 1e-30), n_parts / 2
