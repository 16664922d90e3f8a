"""What a sum has to carry: each source's main octave, and each track's, as cross-spectra of all tracks.

A source's are taken around its own hits, so that they speak of that source alone; a track's from the whole
take, where its own octave is mostly its own source.  Either tells what any setting does to the sum.

Conventions
-----------
matrices
    ``conj(X_a)·X_b`` per bin, ``(n_bins, n_tracks, n_tracks)``; of two halves of the hits or of the take, so
    that what one half promises can be held against the other.
settings
    a complex weight per track and bin, sign·exp(−2πjf·delay); |Σ w X|² = Σ conj(w_a)·w_b·C_ab.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.octaves import OCTAVES_HZ, octave_bins
from polaritykit.base.types import Floats, read_only

#: Bins kept of an octave: a comb of some ms is sampled well enough by so many.
_MOST_BINS = 128


@dataclass(frozen=True, kw_only=True)
class SumTarget:
    """One source's or one track's main octave in all tracks."""

    #: Track the source is at home on, or the track itself.
    track: int
    centre_hz: float
    frequency_hz: Floats
    #: Shape (n_halves, n_bins, n_tracks, n_tracks).
    halves: NDArray[np.complex128]


def hit_target(
    windows: Floats,
    home: int,
    sample_rate_hz: int,
    *,
    first: int,
    fade_s: float = 0.002,
) -> SumTarget | None:
    """Cross-spectra of one source's hits in its main octave.

    Parameters
    ----------
    windows : ndarray, shape (n_hits, n_tracks, n_samples)
    home : int
        Track whose loudest octave is the source's.
    sample_rate_hz : int
    first : int
        Sample before which nothing of the hit is to be expected.
    fade_s : float
        Rise of the window; it falls over a quarter of its length.

    Returns
    -------
    SumTarget or None
        None in silence.
    """
    n = windows.shape[-1] - first
    taper = np.ones(n)
    rise, fall = max(1, round(fade_s * sample_rate_hz)), max(1, n // 4)
    taper[:rise] = np.sin(np.linspace(0.0, np.pi / 2, rise)) ** 2
    taper[-fall:] = np.cos(np.linspace(0.0, np.pi / 2, fall)) ** 2
    frequency: Floats = np.asarray(np.fft.rfftfreq(n, 1 / sample_rate_hz), np.float64)
    own = np.fft.rfft(windows[:, home, first:] * taper, axis=-1)
    octave = main_octave(np.sum(np.abs(own) ** 2, axis=0), frequency)
    if octave is None:
        return None
    centre, inside = octave
    chosen = _few(inside)
    spectra = np.fft.rfft(windows[..., first:] * taper, axis=-1)[..., chosen]
    halves = [np.einsum("hak,hbk->kab", part.conj(), part, optimize=True) for part in _halves(spectra)]
    return SumTarget(
        track=home,
        centre_hz=centre,
        frequency_hz=read_only(frequency[chosen]),
        halves=np.stack(halves),
    )


def _few(inside: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Bins of an octave, thinned out evenly where there are many."""
    bins = np.flatnonzero(inside)
    return bins[:: max(1, len(bins) // _MOST_BINS)]


def _halves(spectra: NDArray[np.complex128]) -> tuple[NDArray[np.complex128], ...]:
    """Every other hit, so that both halves are spread over the take; one hit has no halves."""
    return (spectra[0::2], spectra[1::2]) if len(spectra) > 1 else (spectra,)


def main_octave(power: Floats, frequency_hz: Floats) -> tuple[float, NDArray[np.bool_]] | None:
    """Centre and bins of the octave that holds the most of a power spectrum; None without any."""
    bands = [octave_bins(frequency_hz, centre) for centre in OCTAVES_HZ]
    held = [float(power[band].sum()) for band in bands]
    best = int(np.argmax(held))
    return (OCTAVES_HZ[best], bands[best]) if held[best] > 0.0 else None
