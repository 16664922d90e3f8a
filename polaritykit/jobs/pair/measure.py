"""One pass over two tracks: spectra, octaves, correlation over time, phases of single moments; and the sums.

Conventions: a is the first track (left), b the second; level differences are b over a; offset positive when
b hears the sound later; mono-sum loss is against the power sum of both, so that unrelated sides lose 0 dB,
equal ones −3 dB (they gain), and positive numbers are cancellation.  DC is in none of the levels.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from polaritykit.base.hann import BINS_ALIKE, INDEPENDENT_FRAMES
from polaritykit.base.octaves import OCTAVES_HZ, octave_bins
from polaritykit.base.types import Floats, Recording, Samples
from polaritykit.jobs.pair.findings import CorrelationHistory, StereoOctave
from polaritykit.jobs.pair.phase_tiles import PhaseTiles
from polaritykit.spectra.coherent_offset import unbiased_coherence
from polaritykit.spectra.pool import Spectra, SpectrumPool, pooled

#: Frames of about this length: longer than the room's early sound, many in a short take.
_FRAME_S = 0.17
#: Window of the correlation over time: a correlation meter's usual inertia (common practice, no source).
_WINDOW_S = 0.4
#: Most windows kept, so that a long take stays a readable curve.
_MOST_WINDOWS = 1000
#: Parts of the take compared with each other for the uncertainties.
_PARTS = 24
#: Octaves this far under the strongest are not shown.
_RANGE_DB = 50.0
#: Windows this far under the loudest are silence: the loss there is heard by nobody.
_SILENCE_BELOW_DB = 40.0
#: Losses are not shown beyond this: 1 % agreement of the two sides, finer than any two microphones.
_LOSS_LIMIT_DB = 40.0
#: Bottom band, 44 to 177 Hz: a quarter period is longer than the delay between most stereo mics.
_BOTTOM_HZ, _BOTTOM_OCTAVES = 88.4, 2.0


def loss_db(power_sum: float, cross: float) -> float:
    """Mono-sum loss: 10·log₁₀((A + B)/(A + B + 2·Re C)), within ±40 dB."""
    if power_sum <= 0.0:
        return 0.0
    kept = max((power_sum + 2.0 * cross) / power_sum, 10.0 ** (-_LOSS_LIMIT_DB / 10.0))
    return float(-10.0 * np.log10(kept)) + 0.0


@dataclass(frozen=True, kw_only=True)
class Measured:
    """One pass over the take."""

    parts: tuple[Spectra, ...]
    history: CorrelationHistory
    tiles: PhaseTiles

    @property
    def whole(self) -> Spectra:
        """Spectra over the take."""
        return pooled(self.parts)


def measure(recording: Recording, dc: Sequence[float]) -> Measured:
    """Measure two tracks.

    Parameters
    ----------
    recording : Recording
    dc : sequence of float
        Of each track, full scale 1; it is taken off first.

    Returns
    -------
    Measured
    """
    rate = recording.sample_rate_hz
    window = max(1, round(_WINDOW_S * rate), -(-recording.n_samples // _MOST_WINDOWS))
    n_windows = -(-recording.n_samples // window)
    fft_size = 2 ** round(np.log2(_FRAME_S * rate))
    n_parts = max(1, min(_PARTS, recording.n_samples // (4 * fft_size)))
    pools = [
        SpectrumPool(2, rate, fft_size, hop_samples=fft_size // 2, max_hz=rate / 2) for _ in range(n_parts)
    ]
    tiles = PhaseTiles(rate)
    moments = np.zeros((n_windows, 3))
    steady = np.asarray(dc, np.float32)[:, None]
    for index, recorded in _windows(recording, window):
        samples = recorded - steady
        pools[index * n_parts // n_windows].update(samples)
        tiles.update(samples)
        # Not `@`: the linear algebra library starts threads for such products and then waits for them.
        swinging = samples - samples.mean(axis=1, keepdims=True, dtype=np.float64)
        products = np.einsum("in,jn->ij", swinging, swinging, dtype=np.float64)
        moments[index] = (products[0, 0], products[1, 1], products[0, 1])
    return Measured(
        parts=tuple(pool.result() for pool in pools),
        history=_history(moments, window / rate),
        tiles=tiles,
    )


def _windows(recording: Recording, window: int) -> Iterator[tuple[int, Samples]]:
    """Yield the windows one by one, read some at a time."""
    at_once = max(1, 2**19 // window)
    for start, block in recording.blocks(window * at_once):
        for first in range(0, block.shape[1], window):
            yield (start + first) // window, block[:, first : first + window]


def _history(moments: Floats, window_s: float) -> CorrelationHistory:
    power = moments[:, 0] + moments[:, 1]
    audible = power > power.max(initial=0.0) * 10.0 ** (-_SILENCE_BELOW_DB / 10.0)
    product = np.sqrt(moments[:, 0] * moments[:, 1])
    return CorrelationHistory(
        window_s=window_s,
        correlation=tuple(
            float(np.clip(row[2] / both, -1.0, 1.0)) if heard and both > 0.0 else None
            for row, both, heard in zip(moments, product, audible, strict=True)
        ),
        mono_sum_loss_db=tuple(
            loss_db(float(total), float(row[2])) if heard else None
            for row, total, heard in zip(moments, power, audible, strict=True)
        ),
    )


def octaves_of(measured: Measured, offset_ms: float | None) -> tuple[StereoOctave, ...]:
    """Octaves in which both sides have sound, measured as recorded and with b advanced by the offset."""
    whole = measured.whole
    delay_s = (offset_ms or 0.0) / 1000.0
    found = [
        _octave(measured.parts, whole, centre_hz, delay_s)
        for centre_hz in OCTAVES_HZ
        if centre_hz * np.sqrt(2.0) <= whole.sample_rate_hz / 2
    ]
    octaves = [octave for octave in found if octave is not None]
    loudest = max((octave.level_dbfs for octave in octaves), default=0.0)
    return tuple(octave for octave in octaves if octave.level_dbfs > loudest - _RANGE_DB)


def bottom_of(measured: Measured) -> StereoOctave | None:
    """Measure the lowest two octaves as one band; None where a side is silent there."""
    return _octave(measured.parts, measured.whole, _BOTTOM_HZ, 0.0, _BOTTOM_OCTAVES)


def sums_of(spectra: Spectra) -> dict[str, float | None]:
    """Level difference, correlation and mono-sum losses over all frequencies; None when a side is silent."""
    power_a, power_b = (float(np.sum(spectra.power[track])) for track in (0, 1))
    names = ("level_difference_db", "correlation", "mono_sum_loss_db", "mono_sum_loss_flipped_db")
    if min(power_a, power_b) <= 0.0:
        return dict.fromkeys(names)
    cross = float(np.sum(spectra.cross(0, 1).real))
    values = (
        float(10.0 * np.log10(power_b / power_a)),
        float(np.clip(cross / np.sqrt(power_a * power_b), -1.0, 1.0)),
        loss_db(power_a + power_b, cross),
        loss_db(power_a + power_b, -cross),
    )
    return dict(zip(names, values, strict=True))


def _octave(
    parts: tuple[Spectra, ...], whole: Spectra, centre_hz: float, delay_s: float, octaves: float = 1.0
) -> StereoOctave | None:
    """One octave (or a band of more of them) with b advanced by ``delay_s``; None where a side is silent."""
    inside = octave_bins(whole.frequency_hz, centre_hz, octaves)
    power_a, power_b = (float(np.sum(whole.power[track][inside])) for track in (0, 1))
    if min(power_a, power_b) <= 0.0:
        return None
    scale = float(np.sqrt(power_a * power_b))
    turn = np.exp(2j * np.pi * whole.frequency_hz[inside] * delay_s)
    aligned = complex(np.sum(whole.cross(0, 1)[inside] * turn)) / scale
    plain = float(np.sum(whole.cross(0, 1)[inside].real))
    level = np.sqrt(whole.power[0] * whole.power[1])[inside]
    coherence = unbiased_coherence(whole, 0, 1)[inside]
    return StereoOctave(
        centre_hz=centre_hz,
        level_dbfs=float(10.0 * np.log10(max(power_a, power_b))),
        level_difference_db=float(10.0 * np.log10(power_b / power_a)),
        coherence=float(np.sum(coherence * level) / np.sum(level)),
        phase_deg=float(np.degrees(np.angle(aligned))),
        correlation=plain / scale,
        aligned_correlation=aligned.real,
        aligned_correlation_std=_scatter(parts, whole, inside, turn) / scale,
        aligned_size=abs(aligned),
        mono_sum_loss_db=loss_db(power_a + power_b, plain),
        mono_sum_loss_flipped_db=loss_db(power_a + power_b, -plain),
    )


def _scatter(
    parts: tuple[Spectra, ...],
    whole: Spectra,
    inside: np.ndarray[tuple[int], np.dtype[np.bool_]],
    turn: Floats,
) -> float:
    """Uncertainty of the octave's aligned cross power: scatter of the parts, or chance when there are few."""
    if len(parts) >= 4:
        shares = [
            float(np.sum(part.cross(0, 1)[inside] * turn).real) * part.n_frames * len(parts) / whole.n_frames
            for part in parts
        ]
        return float(np.std(shares, ddof=1) / np.sqrt(len(parts)))
    # Unrelated tracks: variance A·B/2 per bin and independent frame.
    product = float(np.sum((whole.power[0] * whole.power[1])[inside]))
    return float(np.sqrt(BINS_ALIKE * product / (2.0 * INDEPENDENT_FRAMES * whole.n_frames)))
