"""Sound as recorders of their own hear it: started at another time, on another clock.

The truth is in how it is made: scipy's resampling to eight times the rate, then scipy's cubic spline (that of
`ndimage`: a tenth of the time of `CubicSpline`, and −178 dB from it) read at the places where the other clock
ticks; nothing of the project is used.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import signal
from scipy.ndimage import map_coordinates

Floats = NDArray[np.float64]


def on_recorder(sound: Floats, rate_hz: int, *, start_s: float, ppm: float = 0.0) -> Floats:
    """Record with a device that started at `start_s` and makes so many millionths more samples.

    Silent before the sound begins; ends with it.
    """
    fine = signal.resample_poly(sound, 8, 1)
    pace = 1.0 + 1e-6 * ppm
    count = int((len(sound) / rate_hz - start_s) * rate_hz * pace)
    at = start_s + np.arange(count) / (rate_hz * pace)
    inside = (at >= 0) & (at < (len(sound) - 2) / rate_hz)
    heard = np.zeros(count)
    heard[inside] = map_coordinates(fine, [at[inside] * rate_hz * 8], order=3, mode="mirror")
    return heard


def speech_like(rate_hz: int, seconds: float, seed: int) -> Floats:
    """Noise in syllables, most of it below 2 kHz: nothing in it comes twice."""
    rng = np.random.default_rng(seed)
    low = signal.butter(1, [150, 2000], "bandpass", fs=rate_hz, output="sos")
    noise = signal.sosfilt(low, rng.standard_normal(int(rate_hz * seconds)))
    level = np.repeat(rng.uniform(0.02, 1.0, int(seconds * 5) + 1), rate_hz // 5)[: len(noise)]
    return 0.2 * noise * level / np.abs(noise).max()
