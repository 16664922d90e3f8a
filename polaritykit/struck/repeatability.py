"""Whether the strokes of a source repeat one waveform, as a struck head does, or are noise of their own.

First arrivals and gated signs live on what hits have in common.  A shaker, brushes or a hi-hat make another
waveform each time: what two microphones share is then in every single stroke, as in sustained sound.

Conventions: as in `polaritykit.struck.windows`.
"""

import numpy as np

from polaritykit.base.types import Floats

#: Strokes are compared from this much before their reference time to this much after it, up to this lag.
_BEFORE_MS = 2.0
_AFTER_MS = 30.0
_REACH_MS = 2.0
#: Strokes with less in common than this do not repeat, and frames are used besides hits: drums of two kits
#: and of simulated rooms have 0.66 or more, shaken noise and hi-hats 0.2 or less (1/sqrt(2·B·T) by chance).
REPEATS_FROM = 0.4
#: A source counts for a track where it is heard within this of the track's loudest one (dB).
HEARD_WITHIN_DB = 22.0


def stroke_similarity(strokes: Floats, zero: int, sample_rate_hz: int) -> float:
    """Correlation of a typical stroke with the next ones of its source on the home track, 0 to 1.

    Parameters
    ----------
    strokes : ndarray, shape (n_strokes, n_samples)
        The home track.
    zero : int
        Sample of the reference time.
    sample_rate_hz : int

    Returns
    -------
    float
        Median over strokes of the largest correlation of either sign within some lags; 1 for one stroke.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    if len(strokes) < 2:
        return 1.0
    before, after, reach = (round(ms * 1e-3 * sample_rate_hz) for ms in (_BEFORE_MS, _AFTER_MS, _REACH_MS))
    windows = strokes[:, zero - before : zero + after]
    size = next_fast_len(windows.shape[1] + reach, real=True)
    spectra = rfft(windows, size, axis=-1)
    energy = np.sum(windows**2, axis=-1)
    found = []
    for step in range(1, min(4, len(windows))):
        curve = np.abs(irfft(np.conj(spectra[:-step]) * spectra[step:], size, axis=-1))
        top = np.maximum(curve[:, : reach + 1].max(axis=-1), curve[:, -reach:].max(axis=-1))
        found.append(top / np.sqrt(np.maximum(energy[:-step] * energy[step:], 1e-30)))
    return float(np.median(np.concatenate(found)))
