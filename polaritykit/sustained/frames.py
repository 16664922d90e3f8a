"""Sustained sound (voice, strings, amplifier, a DI and its mic) to signed evidence for every pair.

Frames in which one track is loud against the others are taken as that track's own source.  For each other
track the phase-transform cross-spectrum is averaged over those frames: bins whose phase is the same in
every frame carry the delay, all others average away.  The peak of its transform gives the offset; whether
parts of the spectrum agree on it, and how far the next opposite lobe stays below, tell how sure the sign is.

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
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Recording, Samples, read_only
from polaritykit.sustained.joint_delay import JointDelay, joint_delay, take_windows
from polaritykit.sustained.mains import least_left, left_in_take, resolved
from polaritykit.sustained.settings import ContinuousSettings

Complexes = NDArray[np.complex128]
#: Neighbouring bins averaged where what one track explains of another may be faint.
_ALIKE = 9
#: What rounding in single precision leaves in doubt.
_PLAINLY = 0.98

Follow = Callable[[int, Complexes, Complexes, NDArray[np.int64]], None]


class ActivityMeter:
    """Level of every track in consecutive frames, low end removed by a first difference."""

    def __init__(
        self, n_tracks: int, n_samples: int, sample_rate_hz: int, settings: ContinuousSettings
    ) -> None:
        self.frame_samples = frame_samples(n_samples, sample_rate_hz, settings)
        self._rest: Samples = np.zeros((n_tracks, 0), dtype=np.float32)
        self._levels: list[Floats] = []

    def update(self, block: Samples) -> None:
        """Take the next block, shape (n_tracks, n)."""
        samples = np.concatenate([self._rest, block], axis=1) if self._rest.shape[1] else block
        n_frames = samples.shape[1] // self.frame_samples
        self._rest = samples[:, n_frames * self.frame_samples :].copy()
        for index in range(n_frames):
            step = np.diff(samples[:, index * self.frame_samples : (index + 1) * self.frame_samples], axis=1)
            self._levels.append(np.einsum("tn,tn->t", step, step, dtype=np.float64) / step.shape[1])

    def levels_db(self) -> Floats:
        """Level per frame and track, dB; shape (n_frames, n_tracks)."""
        return np.asarray(10 * np.log10(np.maximum(np.array(self._levels), 1e-20)))


def frame_samples(n_samples: int, sample_rate_hz: int, settings: ContinuousSettings) -> int:
    """Length of a frame: a power of two near the wanted time; shorter in a short take."""
    wanted = round(math.log2(settings.frame_ms * 1e-3 * sample_rate_hz))
    most = math.floor(math.log2(max(64, n_samples // settings.fewest_frames)))
    return 1 << min(wanted, most)


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
    #: Peak lies at the edge of the search.
    at_edge: bool
    #: Share (by weight) of the spectrum's parts that show the same sign at that offset.
    unison: float
    #: Bandwidth that carries the evidence, octaves.
    octaves: float
    #: Root-mean-square frequency of the evidence.
    mean_hz: float


def choose_frames(levels_db: Floats, home: int, settings: ContinuousSettings) -> NDArray[np.int64]:
    """Frames in which ``home`` is loud against the other tracks, spread over the take.

    Parameters
    ----------
    levels_db : ndarray, shape (n_frames, n_tracks)
    home : int
    settings : ContinuousSettings

    Returns
    -------
    ndarray of int
        Indices of frames in time order.
    """
    top = np.percentile(levels_db, 95, axis=0)
    relative = levels_db - top
    active = np.flatnonzero(relative[:, home] >= -settings.active_range_db)
    others = np.delete(relative, home, axis=1)
    dominance = relative[active, home] - others[active].mean(axis=1)
    n_kept = max(min(len(active), settings.min_frames), round(len(active) * settings.dominant_share))
    kept = np.sort(active[np.argsort(-dominance)[:n_kept]])
    if len(kept) > settings.max_frames:
        kept = kept[np.linspace(0, len(kept) - 1, settings.max_frames).round().astype(np.int64)]
    return np.asarray(kept)


def read_frames(recording: Recording, frames: NDArray[np.int64], size: int, margin: int) -> Samples:
    """Read the chosen frames with a margin at both ends, shape (n_frames, n_tracks, size + 2·margin)."""
    return np.stack([recording.read(int(at) * size - margin, (int(at) + 1) * size + margin) for at in frames])


def spectra_of(frames: Samples, size: int, start: int = 0) -> Complexes:
    """Windowed spectra of ``size`` samples from ``start`` along the last axis."""
    from scipy.fft import rfft

    window = np.hanning(size + 2)[1:-1].astype(np.float32)
    # In single precision: its rounding lies far below any noise of a converter.
    return np.asarray(rfft(frames[..., start : start + size] * window, axis=-1))


def phase_curve(
    spectra_a: Complexes, spectra_b: Complexes, sample_rate_hz: int, settings: ContinuousSettings
) -> PhaseCurve | None:
    """Delay and sign of b against a from frames of both.

    Parameters
    ----------
    spectra_a, spectra_b : ndarray of complex, shape (n_frames, n_bins)
    sample_rate_hz : int
    settings : ContinuousSettings

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
    weight = _weights(phasor, spectra_a, spectra_b, frequency, settings)
    total = float(weight.sum())
    if np.count_nonzero(weight) < settings.fewest_bins:
        return None
    oversample = 4
    reach = min(round(settings.search_ms * 1e-3 * sample_rate_hz), size // 4) * oversample
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
    rival = max(0.0, float((-sign * curve).max() / abs(curve[at])))
    chance = np.sqrt(np.sum(weight**2) / 2 / n_frames) / total
    at_offset = sign * np.real(phasor * np.exp(2j * np.pi * frequency * lag_s[at]))
    unison, octaves = _parts(weight, at_offset, frequency)
    powers = np.mean(np.abs(spectra_a) ** 2, axis=0), np.mean(np.abs(spectra_b) ** 2, axis=0)
    without, share = least_left(weight, at_offset * math.sqrt(n_frames), powers, float(frequency[1]))
    return PhaseCurve(
        curve=read_only(curve),
        lag_s=read_only(lag_s),
        offset_s=float(lag_s[at]) + _vertex(np.abs(curve), at) * float(lag_s[1] - lag_s[0]),
        sign=sign,
        rival=rival,
        rival_of_band=max(0.0, float(-transform(in_phase).min())),
        significance=float(abs(curve[at]) / max(chance, 1e-30)),
        significance_without_mains=without,
        share_without_mains=share,
        peak_over_rest=_over_rest(curve, at),
        at_edge=at <= oversample or at >= len(curve) - 1 - oversample,
        unison=unison,
        octaves=octaves,
        mean_hz=float(np.sqrt(np.sum(weight * frequency**2) / total)),
    )


@dataclass(frozen=True, kw_only=True)
class Reading:
    """One pair in the frames of one home track."""

    home: int
    other: int
    curve: PhaseCurve
    offset_s: float
    std_s: float
    #: The lobe of the peak is also the highest once bins weigh by their coherence.
    lobes_agree: bool
    #: The phase of coherent bins confirms the offset to a fraction of a sample.
    confirmed: bool
    #: Power of the other track that the home track explains, dB below the other track's loud frames.
    explained_db: float


def read_home(
    recording: Recording,
    levels_db: Floats,
    home: int,
    others: list[int],
    settings: ContinuousSettings,
    *,
    follow: Follow | None = None,
) -> tuple[NDArray[np.int64], list[Reading]]:
    """Read the pairs of one home track in the frames that are most its own.

    Parameters
    ----------
    recording : Recording
    levels_db : ndarray, shape (n_frames, n_tracks)
        From `ActivityMeter`.
    home : int
    others : list of int
        Tracks to compare with it.
    settings : ContinuousSettings
    follow : callable, optional
        Given each other track, the spectra of both in the frames, and the frames' indices.

    Returns
    -------
    tuple
        Indices of the frames used, and the readings of the pairs that show a common phase.
    """
    rate = recording.sample_rate_hz
    size = frame_samples(recording.n_samples, rate, settings)
    # Room for half-overlapping windows and for the largest offset on top.
    margin = size // 2 + min(round(settings.search_ms * 1e-3 * rate), size // 4) + 1
    chosen = choose_frames(levels_db, home, settings)
    if len(chosen) < 2:
        return chosen, []
    frames = read_frames(recording, chosen, size, margin)
    spectra = spectra_of(frames, size, margin)
    top = np.percentile(levels_db, 95, axis=0)
    readings = []
    noise = _plain_noise(spectra, home, others, rate, settings)
    for other in others:
        if follow is not None:
            follow(other, spectra[:, home], spectra[:, other], chosen)
        if other in noise:
            readings.append(noise[other])
            continue
        curve = phase_curve(spectra[:, home], spectra[:, other], rate, settings)
        if curve is None:
            continue
        offset, std, lobes_agree, line = curve.offset_s, 0.25 / rate, True, math.inf
        if curve.significance >= settings.min_significance:
            whole = round(offset * rate)
            if not resolved(rate / size):
                curve = _tested_in_take(recording, curve, (home, other), whole, settings)
            own = _frame_windows(frames[:, [home, other]], chosen * size - margin, margin, whole, recording)
            better = _refined(recording, home, curve, own, whole, other=other, settings=settings)
            near = settings.refine_within_period / curve.mean_hz
            # Where no two windows agree on a phase, the peak is known to a part of a period and no better.
            std = max(std, 0.5 * near)
            if better is not None:
                lobes_agree, line = better.same_lobe, better.line_s
                moved = abs(better.offset_s - offset)
                if moved <= near or not better.same_lobe:
                    offset, std = better.offset_s, better.std_s
                else:
                    # Reflections bend the phase: the straight line may correct the peak, not replace it.
                    std = max(std, moved)
        readings.append(
            Reading(
                home=home,
                other=other,
                curve=curve,
                offset_s=offset,
                std_s=std,
                lobes_agree=lobes_agree,
                confirmed=line < 0.25 / rate,
                explained_db=_explained_db(spectra[:, home], spectra[:, other], offset, rate)
                + float(np.mean(levels_db[chosen, other]) - top[other]),
            )
        )
    return chosen, readings


def _plain_noise(
    spectra: Complexes, home: int, others: list[int], sample_rate_hz: int, settings: ContinuousSettings
) -> dict[int, Reading]:
    """Pairs whose peak plainly says nothing, by a phase curve in single precision made of all at once.

    Most pairs of a large session are such; what is near the bound is left to `phase_curve`.
    """
    from scipy.fft import irfft

    n_frames, _, n_bins = spectra.shape
    frequency = np.arange(n_bins) * sample_rate_hz / (2 * (n_bins - 1))
    low, high = settings.band_hz
    reach = 4 * min(round(settings.search_ms * 1e-3 * sample_rate_hz), (n_bins - 1) // 2)
    own = spectra[:, home]
    own_unit = np.conj(own) / np.maximum(np.abs(own), 1e-30)
    own_power = np.mean(np.abs(own) ** 2, axis=0)
    inside = (frequency >= low) & (frequency <= high)
    range_ = 10 ** (-settings.bin_range_db / 10)
    inside &= own_power >= own_power[inside].max(initial=0.0) * range_
    found = {}
    for other in others:
        its = spectra[:, other]
        size = np.abs(its)
        power = np.mean(size**2, axis=0)
        phasor = np.mean(own_unit * (its / np.maximum(size, 1e-30)), axis=0)
        used = inside & (power >= power[inside].max(initial=0.0) * range_)
        excess = np.abs(phasor) ** 2 - settings.excess_over_chance / n_frames
        weight = np.where(used, np.sqrt(np.maximum(excess, 0.0)), 0.0)
        if np.count_nonzero(weight) < 2 * settings.fewest_bins:
            continue
        full = np.abs(irfft(weight * phasor, 8 * (n_bins - 1))) * 4 * (n_bins - 1)
        height = max(float(full[-reach:].max()), float(full[: reach + 1].max()))
        significance = height / float(np.sqrt(np.sum(weight**2) / 2 / n_frames))
        if significance < _PLAINLY * settings.min_significance:
            found[other] = _noise(home, other, significance)
    return found


def _noise(home: int, other: int, significance: float) -> Reading:
    """Return the reading of a pair that says nothing."""
    nothing: Floats = np.zeros(0)
    curve = PhaseCurve(
        curve=nothing,
        lag_s=nothing,
        offset_s=0.0,
        sign=1,
        rival=1.0,
        rival_of_band=1.0,
        significance=significance,
        significance_without_mains=0.0,
        share_without_mains=1.0,
        peak_over_rest=0.0,
        at_edge=False,
        unison=0.0,
        octaves=0.0,
        mean_hz=0.0,
    )
    return Reading(
        home=home,
        other=other,
        curve=curve,
        offset_s=0.0,
        std_s=math.inf,
        lobes_agree=False,
        confirmed=False,
        explained_db=0.0,
    )


def _tested_in_take(
    recording: Recording, curve: PhaseCurve, pair: tuple[int, int], whole: int, settings: ContinuousSettings
) -> PhaseCurve:
    """Return the curve with what the mains leave of it read from the whole of a short take."""
    take = recording.read(0, recording.n_samples, pair)
    without, share = left_in_take(
        take[0],
        take[1],
        whole,
        sign=curve.sign,
        sample_rate_hz=recording.sample_rate_hz,
        band_hz=settings.band_hz,
    )
    # The curve's own chance level is low by the weights' choice and the window, see ``min_significance``.
    scaled = without * math.sqrt(3 * 35 / 18)
    return replace(curve, significance_without_mains=scaled, share_without_mains=share)


def _refined(
    recording: Recording,
    home: int,
    curve: PhaseCurve,
    own: tuple[Samples, Samples],
    whole: int,
    *,
    other: int,
    settings: ContinuousSettings,
) -> JointDelay | None:
    """Delay from the home track's frames, or from all of the take where that tells the same more sharply."""
    rate = recording.sample_rate_hz
    narrow = curve.rival > settings.max_rival or curve.significance < 2.0 * settings.min_significance

    def joint(windows: tuple[Samples, Samples]) -> JointDelay | None:
        return joint_delay(
            *windows,
            whole,
            offset_s=curve.offset_s,
            sign=curve.sign,
            sample_rate_hz=rate,
            lobes_s=settings.lobes_ms * 1e-3 if narrow else 0.0,
        )

    best = joint(own) if len(own[0]) else None
    size = own[0].shape[-1]
    n_pairs = len(recording.track_names) * (len(recording.track_names) - 1) // 2
    more = joint(
        take_windows(recording, (home, other), whole, size, settings.most_take_windows // max(1, n_pairs))
    )
    if best is None or more is None:
        return best or more
    apart = abs(more.offset_s - best.offset_s) > 3.0 * math.hypot(more.std_s, best.std_s)
    return best if apart or best.std_s <= more.std_s else more


def _frame_windows(
    frames: Samples, starts: NDArray[np.int64], margin: int, whole: int, recording: Recording
) -> tuple[Samples, Samples]:
    """Half-overlapping windows of both tracks in the chosen frames, b's later by ``whole`` samples.

    Windows that reach beyond the take on either track are left out: one would hold what the other lacks.
    """
    size = frames.shape[-1] - 2 * margin
    pieces: list[tuple[Samples, Samples]] = []
    for at in (margin - size // 2, margin):
        if min(at, at + whole) < 0:
            continue
        begin = starts + at + min(0, whole)
        inside = (begin >= 0) & (begin + size + abs(whole) <= recording.n_samples)
        pieces.append((frames[inside, 0, at : at + size], frames[inside, 1, at + whole : at + whole + size]))
    return np.concatenate([a for a, _ in pieces]), np.concatenate([b for _, b in pieces])


def explained_db(windows_a: Samples, windows_b: Samples, left_s: float, sample_rate_hz: int) -> float:
    """Share of b's power that a explains, dB, in windows aligned but for a rest of the offset.

    Parameters
    ----------
    windows_a, windows_b : ndarray, shape (n_windows, size)
    left_s : float
        What is left of the offset, seconds.
    sample_rate_hz : int

    Returns
    -------
    float
    """
    size = windows_a.shape[-1]
    return _explained_db(spectra_of(windows_a, size), spectra_of(windows_b, size), left_s, sample_rate_hz)


def _explained_db(spectra_a: Complexes, spectra_b: Complexes, offset_s: float, sample_rate_hz: int) -> float:
    """Share of b's power in these frames that a explains, dB (coherence by power, chance taken off).

    With the offset turned back neighbouring bins are averaged too: n frames alone explain 1/n by
    chance, which hides what is fainter than -20 dB.
    """
    from scipy.ndimage import uniform_filter1d

    n, n_bins = spectra_a.shape
    turn = np.exp(1j * np.pi * np.arange(n_bins) / (n_bins - 1) * sample_rate_hz * offset_s)
    cross = np.mean(np.conj(spectra_a) * spectra_b, axis=0) * turn
    power_a, power_b = (np.mean(np.abs(x) ** 2, axis=0) for x in (spectra_a, spectra_b))
    size = uniform_filter1d(cross.real, _ALIKE) ** 2 + uniform_filter1d(cross.imag, _ALIKE) ** 2
    smooth_b = uniform_filter1d(power_b, _ALIKE)
    raw = size / np.maximum(uniform_filter1d(power_a, _ALIKE) * smooth_b, 1e-300)
    # A Hann window's neighbouring bins: so many of nine are independent (closed form: 35/18 bins alike).
    chance = 1.0 / max(1.0, n * _ALIKE * 18 / 35)
    share = float(np.sum((raw - chance) * smooth_b)) / max(float(np.sum(smooth_b)), 1e-300)
    return 10 * math.log10(max(share, 0.1 * chance))


def _over_rest(curve: Floats, at: int) -> float:
    """Peak over the root-mean-square of the curve further away than a tenth of the search."""
    far = np.abs(np.arange(len(curve)) - at) > len(curve) // 20
    return float(np.abs(curve[at]) / max(float(np.sqrt(np.mean(curve[far] ** 2))), 1e-30))


def _vertex(values: Floats, at: int) -> float:
    """Vertex of the parabola through three samples about ``at``, in samples; 0 at the ends."""
    if not 0 < at < len(values) - 1:
        return 0.0
    left, middle, right = values[at - 1 : at + 2]
    bend = left - 2 * middle + right
    return float(0.5 * (left - right) / bend) if bend else 0.0


def _weights(
    phasor: Complexes,
    spectra_a: Complexes,
    spectra_b: Complexes,
    frequency: Floats,
    settings: ContinuousSettings,
) -> Floats:
    """Weight of each bin: its coherence of phase above chance, inside the band, where both have sound."""
    low, high = settings.band_hz
    inside = (frequency >= low) & (frequency <= high)
    for spectra in (spectra_a, spectra_b):
        power = np.mean(np.abs(spectra) ** 2, axis=0)
        inside &= power >= power[inside].max(initial=0.0) * 10 ** (-settings.bin_range_db / 10)
    # For unrelated tracks |phasor|^2 is exponential with mean 1/n.
    excess = np.maximum(np.abs(phasor) ** 2 - settings.excess_over_chance / len(spectra_a), 0.0)
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
