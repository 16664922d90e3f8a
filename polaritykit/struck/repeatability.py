"""Whether the strokes of a source repeat one waveform, as a struck head does, or are noise of their own.

First arrivals and gated signs live on what hits have in common.  A shaker, brushes or a hi-hat make another
waveform each time: what two microphones share is then in every single stroke, as in sustained sound.

Conventions: ``at_samples`` are the strokes' reference times on their home track.
"""

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Recording
from polaritykit.struck.settings import StrokeSettings


def strokes_alike(
    recording: Recording, home: int, at_samples: NDArray[np.int64], settings: StrokeSettings
) -> float:
    """Correlation of a typical stroke with the next ones of its source on the home track, 0 to 1.

    Parameters
    ----------
    recording : Recording
    home : int
    at_samples : ndarray of int, shape (n_strokes,)
    settings : StrokeSettings

    Returns
    -------
    float
        Median over strokes of the largest correlation of either sign within some lags; 1 for one stroke.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    if len(at_samples) < 2:
        return 1.0
    rate = recording.sample_rate_hz
    before, after, reach = (
        round(ms * 1e-3 * rate)
        for ms in (settings.stroke_before_ms, settings.stroke_after_ms, settings.stroke_reach_ms)
    )
    windows = np.stack(
        [recording.read(int(at) - before, int(at) + after, (home,))[0] for at in at_samples]
    ).astype(np.float64)
    size = next_fast_len(windows.shape[1] + reach, real=True)
    spectra = rfft(windows, size, axis=-1)
    energy = np.sum(windows**2, axis=-1)
    found = []
    for step in range(1, min(4, len(windows))):
        curve = np.abs(irfft(np.conj(spectra[:-step]) * spectra[step:], size, axis=-1))
        top = np.maximum(curve[:, : reach + 1].max(axis=-1), curve[:, -reach:].max(axis=-1))
        found.append(top / np.sqrt(np.maximum(energy[:-step] * energy[step:], 1e-30)))
    return float(np.median(np.concatenate(found)))
