"""Correlation of a pair over lags, from pooled spectra.

Conventions: as in `spectra`.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from polaritykit.base.errors import UsageError
from polaritykit.base.types import Complexes, Floats, read_only
from polaritykit.spectra.pool import Spectra


@dataclass(frozen=True, kw_only=True)
class LinearGrid:
    """``count`` values from ``start`` in steps of ``step`` (unit as the owner says)."""

    start: float
    step: float
    count: int

    def values(self) -> Floats:
        """All values of the grid."""
        return self.start + self.step * np.arange(self.count, dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class CorrelationCurve:
    """Correlation coefficient of a pair against the lag of b, −1 to 1."""

    lag_ms: LinearGrid
    values: Floats


def lag_grid(spectra: Spectra, max_lag_ms: float) -> LinearGrid:
    """Lags −max…max of a correlation, in ms.

    Parameters
    ----------
    spectra : Spectra
    max_lag_ms : float

    Raises
    ------
    UsageError
        Lags beyond a quarter of the frame, where the window hides the sound.
    """
    count = int(max_lag_ms / 1000.0 * spectra.sample_rate_hz)
    if count > spectra.fft_size // 4:
        raise UsageError(
            f"a lag of {max_lag_ms:g} ms is more than a quarter of the frame "
            f"({spectra.fft_size} samples at {spectra.sample_rate_hz} Hz): use longer frames"
        )
    step_ms = 1000.0 / spectra.sample_rate_hz
    return LinearGrid(start=-count * step_ms, step=step_ms, count=2 * count + 1)


def correlation_curve(
    spectra: Spectra,
    a: int,
    b: int,
    *,
    max_lag_ms: float,
    band_hz: tuple[float, float] = (40.0, 16_000.0),
) -> CorrelationCurve:
    """Correlation coefficient in a band over lags −max…max; the peak stands at the offset of b.

    Parameters
    ----------
    spectra : Spectra
    a, b : int
        Tracks.
    max_lag_ms : float
        Longest lag in ms, either way.
    band_hz : (float, float)
        Corners of a fourth-order Butterworth weight on the power; a hard edge would ring.

    Raises
    ------
    UsageError
        Lags beyond a quarter of the frame, where the window hides the sound.
    """
    lags = lag_grid(spectra, max_lag_ms)
    weight = _band_weight(len(spectra.frequency_hz), spectra.sample_rate_hz / spectra.fft_size, band_hz)
    power_a, power_b = spectra.power[a], spectra.power[b]
    scale = float(np.sqrt(np.sum(weight * power_a) * np.sum(weight * power_b)))
    values = _over_lags(weight * spectra.cross(a, b), spectra.fft_size, lags.count // 2)
    return CorrelationCurve(
        lag_ms=lags,
        values=values / scale if scale > 0.0 else np.zeros_like(values),
    )


def _over_lags(one_sided: Complexes, fft_size: int, count: int) -> Floats:
    """Σ Re(C·e^{j2πfτ}) for lags of −count…count samples, by one inverse transform."""
    from scipy import fft

    # It wants half of a one-sided spectrum, but the whole of 0 Hz.
    half = np.zeros(fft_size // 2 + 1, np.complex128)
    half[: len(one_sided)] = one_sided / 2.0
    half[0] *= 2.0
    circular = fft.irfft(half, fft_size) * fft_size
    return np.concatenate([circular[len(circular) - count :], circular[: count + 1]])


@lru_cache(maxsize=4)
def _band_weight(n_bins: int, step_hz: float, band_hz: tuple[float, float]) -> Floats:
    low, high = band_hz
    frequency_hz = np.arange(n_bins) * step_hz
    above = np.power(frequency_hz / low, 8)
    return read_only(above / (1.0 + above) / (1.0 + np.power(frequency_hz / high, 8)))
