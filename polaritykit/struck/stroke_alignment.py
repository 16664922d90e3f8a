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
from polaritykit.struck.settings import ArrivalSettings
from polaritykit.struck.signs import band_pass


def stroke_shifts(
    strokes: Floats, zero: int, sample_rate_hz: int, settings: ArrivalSettings
) -> NDArray[np.int64]:
    """Find how far each stroke's waveform lies from its pick.

    Parameters
    ----------
    strokes : ndarray, shape (n_hits, n_samples)
        The home track, the pick of every hit at sample ``zero``.
    zero : int
    sample_rate_hz : int
    settings : ArrivalSettings

    Returns
    -------
    ndarray of int, shape (n_hits,)
        Their median is 0; 0 for a stroke that is not like the others.
    """

    def samples(milliseconds: float) -> int:
        return round(milliseconds * 1e-3 * sample_rate_hz)

    reach, first, length = (
        samples(settings.stroke_reach_ms),
        zero - samples(settings.stroke_before_ms),
        samples(settings.stroke_before_ms + settings.stroke_after_ms),
    )
    wide = band_pass(strokes, settings.stroke_band_hz, sample_rate_hz)[
        :, first - reach : first + length + reach
    ]
    pieces = np.lib.stride_tricks.sliding_window_view(wide, length, axis=-1)
    size = np.maximum(np.linalg.norm(pieces, axis=-1), 1e-12)
    rows = np.arange(len(strokes))
    at = np.full(len(strokes), reach)
    for _ in range(settings.stroke_rounds):
        mean = (pieces[rows, at] / size[rows, at, None]).mean(axis=0)
        alike = np.einsum("hkn,n->hk", pieces, mean) / size / max(float(np.linalg.norm(mean)), 1e-12)
        best = alike.argmax(axis=-1)
        best = np.where(alike[rows, best] >= settings.stroke_alike, best, reach)
        at = np.clip(best - int(np.median(best)) + reach, 0, 2 * reach)
    return at - reach
