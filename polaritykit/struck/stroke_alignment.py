"""Single strokes, each picked by itself, to strokes that lie on each other on their home track.

A stroke's own pick may belong to what sounds along with it: a hat struck some milliseconds before the snare
is heard first, by another way.  What the strokes of a source have in common is the source's own waveform;
laid on each other by it, they keep its first motion in their average, and the hat's falls apart.

Conventions
-----------
shift
    samples, one per hit; positive where the stroke's waveform lies later than its pick says.

References
----------
Align by the mean, average, repeat: Woody, C. D. (1967), Med. & biol. Engng 5, 539-553 (from memory).
"""

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats
from polaritykit.struck.signs import band_pass

#: Strokes are laid on each other on their home track by what their drum repeats (head and shell, no
#: cymbal): this band ...
_BAND_HZ = (100.0, 3000.0)
#: ... from this long before the pick ...
_BEFORE_MS = 2.0
#: ... to this long after it.
_AFTER_MS = 12.0
#: Hands and feet of one beat fall this far apart (common practice: some 5 ms).
_REACH_MS = 4.0
#: Strokes that lie this far from their picks (median) are not what is heard first: another source sounds
#: along.  Beyond what a pick of one stroke scatters by.
APART_MS = 0.5
#: Mean and shifts settle within so many rounds.
_ROUNDS = 4
#: A stroke less like the mean than this keeps its own pick.
_LEAST_SIMILARITY = 0.5


def stroke_shifts(strokes: Floats, zero: int, sample_rate_hz: int) -> NDArray[np.int64]:
    """Find how far each stroke's waveform lies from its pick.

    Parameters
    ----------
    strokes : ndarray, shape (n_hits, n_samples)
        The home track, the pick of every hit at sample ``zero``.
    zero : int
    sample_rate_hz : int

    Returns
    -------
    ndarray of int, shape (n_hits,)
        Their median is 0; 0 for a stroke that is not like the others.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    def samples(milliseconds: float) -> int:
        return round(milliseconds * 1e-3 * sample_rate_hz)

    reach, first, length = (
        samples(_REACH_MS),
        zero - samples(_BEFORE_MS),
        samples(_BEFORE_MS + _AFTER_MS),
    )
    wide = band_pass(strokes[:, : first + length + reach], _BAND_HZ, sample_rate_hz, first=first - reach)
    pieces = np.lib.stride_tricks.sliding_window_view(wide, length, axis=-1)
    size = np.maximum(np.sqrt(np.einsum("hkn,hkn->hk", pieces, pieces)), 1e-12)
    n_fft = next_fast_len(wide.shape[-1], real=True)
    spectra = rfft(wide, n_fft, axis=-1)
    rows = np.arange(len(strokes))
    at = np.full(len(strokes), reach)
    for _ in range(_ROUNDS):
        mean = (pieces[rows, at] / size[rows, at, None]).mean(axis=0)
        correlation = irfft(spectra * rfft(mean, n_fft).conj(), n_fft, axis=-1)[:, : 2 * reach + 1]
        similarity = correlation / size / max(float(np.linalg.norm(mean)), 1e-12)
        best = similarity.argmax(axis=-1)
        best = np.where(similarity[rows, best] >= _LEAST_SIMILARITY, best, reach)
        at = np.clip(best - int(np.median(best)) + reach, 0, 2 * reach)
    return at - reach
