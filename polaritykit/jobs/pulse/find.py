"""Where the repeats of the line-check signal lie in a recording.

Conventions: places are fractional samples of the recording's clock.
"""

from dataclasses import dataclass

import numpy as np

from polaritykit.base.types import Floats, Recording
from polaritykit.jobs.pulse.signal import PERIOD_S, REPEATS, one_period

#: Height of the matched filter's peak over the RMS around it: noise alone reaches about 5.5 in a minute,
#: the signal at 0 dB SNR about 60.
_MATCH_LEAST = 8.0
#: The same at the other repeats, where only a few dozen lags are looked at.
_REPEAT_LEAST = 4.5
_REPEATS_LEAST = 4
_REPEATS_SHARE_LEAST = 0.7
#: Clocks of playing and recording machine may differ by this much (a poor one: 100 ppm).
_DRIFT_MOST_PPM = 200.0

#: Long recordings are searched in windows of this length, overlapping by the signal's own.
_WINDOW_S = 60.0


#: Sound on either side of the strongest arrival by whose shape the repeats are lined up.
_BESIDE_S = 0.01


@dataclass(frozen=True, kw_only=True)
class Repeats:
    """Where the repeats lie: ``first + number * period`` in samples, for the numbers found."""

    first: float
    period: float
    found: tuple[int, ...]
    score: float


def find_repeats(recording: Recording, track: int) -> Repeats | None:
    """Find the repeats in the window where they stand out most.

    Parameters
    ----------
    recording : Recording
    track : int

    Returns
    -------
    Repeats or None
        None where the signal is not found.
    """
    rate = recording.sample_rate_hz
    window = round(_WINDOW_S * rate)
    overlap = round((REPEATS + 1) * PERIOD_S * rate)
    best: Repeats | None = None
    for start in range(0, max(1, recording.n_samples - overlap), window - overlap):
        stop = min(start + window, recording.n_samples)
        samples = recording.read(start, stop, (track,))[0].astype(np.float64)
        found = _find_in(samples, rate, start)
        if found is not None and (best is None or found.score > best.score):
            best = found
    return best


def _find_in(samples: Floats, rate: int, start: int) -> Repeats | None:
    """Find the repeats in one window; None without any."""
    from scipy.fft import irfft, next_fast_len, rfft
    from scipy.ndimage import uniform_filter1d

    template = one_period(rate)
    if len(samples) < len(template) or not samples.any():
        return None
    length = next_fast_len(len(samples) + len(template), real=True)
    spectrum = rfft(samples, length)
    # Whitened over 40 Hz, so that hum or a held note does not outweigh the signal.
    size = np.abs(spectrum)
    spectrum /= uniform_filter1d(size, max(3, round(40 * length / rate))) + 1e-9 * size.max()
    match = irfft(spectrum * np.conj(rfft(template, length)) * band_weight(length, rate), length)[
        : len(samples)
    ]
    # Against what surrounds it, so that pauses and loud passages do not matter to one another.
    around = np.sqrt(uniform_filter1d(match**2, 2 * len(template), mode="nearest"))
    match /= np.maximum(around, 1e-4 * around.max())
    top = int(np.abs(match).argmax())
    if abs(match[top]) < _MATCH_LEAST:
        return None
    period = round(PERIOD_S * rate)
    beside = round(_BESIDE_S * rate)
    padded = np.pad(match, beside)
    numbers, places, sizes = [], [], []
    for number in range(-(top // period) - 1, (len(samples) - top) // period + 2):
        reach = round(rate * (0.0002 + abs(number) * PERIOD_S * _DRIFT_MOST_PPM * 1e-6))
        low, high = top + number * period - reach, top + number * period + reach + 1
        if low < 0 or high > len(match) or abs(number) >= REPEATS:
            continue
        # Lined up by the shape of all arrivals: of two equal peaks either may be the higher one.
        shape = np.correlate(padded[low : high + 2 * beside], padded[top : top + 2 * beside + 1], "valid")
        numbers.append(number)
        places.append(low + int(shape.argmax()))
        sizes.append(float(np.abs(match[low:high]).max()))
    heights = np.array(sizes)
    kept = np.flatnonzero(heights >= max(_REPEAT_LEAST, 0.4 * abs(match[top])))
    if len(kept) < max(_REPEATS_LEAST, _REPEATS_SHARE_LEAST * (kept[-1] - kept[0] + 1)):
        return None
    slope, offset = np.polyfit(np.array(numbers)[kept], np.array(places, dtype=float)[kept], 1)
    first = numbers[kept[0]]
    return Repeats(
        first=start + offset + slope * first,
        period=float(slope),
        found=tuple(numbers[index] - first for index in kept),
        score=float(heights[kept].sum()),
    )


def band_weight(length: int, rate: int) -> Floats:
    """Weight over frequency: 200 Hz to 5 kHz with soft edges of half an octave."""
    octaves = np.log2(np.maximum(np.fft.rfftfreq(length, 1 / rate), 1e-3))
    low = np.clip((octaves - np.log2(150)) / np.log2(250 / 150), 0, 1)
    high = np.clip((np.log2(6500) - octaves) / np.log2(6500 / 4500), 0, 1)
    weight: Floats = np.sin(np.pi / 2 * low) ** 2 * np.sin(np.pi / 2 * high) ** 2
    return weight
