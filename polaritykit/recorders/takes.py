"""The tracks of a group of files at the low rate: which to seek by, and which two of two groups fit best.

Conventions: a sound at ``t`` in the first take lies at ``t + offset`` in the second (`sustained/coarse`).
"""

import numpy as np

from polaritykit.base.types import Recording
from polaritykit.sustained.coarse import FoundPlace
from polaritykit.sustained.whitened import LOW_RATE_HZ, Real, fit, low_rate, whitened

_BLOCK = 1 << 18
#: Pieces that tracks are compared in, their length and how far from the place.
_PIECES, _PIECE_S, _NEAR_S = 8, 4.0, 0.1


def whole_take(recording: Recording, track: int) -> Real:
    """One track at the low rate, all of it."""
    rows = (
        recording.read(start, min(start + _BLOCK, recording.n_samples), (track,))[0]
        for start in range(0, recording.n_samples, _BLOCK)
    )
    return low_rate(rows, recording.sample_rate_hz)


def hearing_most(recording: Recording) -> tuple[int, ...]:
    """Tracks by how well they hear what the others hear, best first.

    A sum of close mics has every sound at several times; overheads and rooms hear all of it at one.
    """
    count = len(recording.track_names)
    if count == 1:
        return (0,)
    last_s = max(recording.n_samples / recording.sample_rate_hz - _PIECE_S, 0.0)
    reach = round(_NEAR_S * LOW_RATE_HZ)
    fits = np.zeros((_PIECES, count, count))
    for number, time_s in enumerate(np.linspace(0.0, last_s, _PIECES)):
        pieces = _cut(recording, float(time_s), _PIECE_S)
        size = fft_size(len(pieces[0]) + reach)
        spectra = [whitened(piece, size) for piece in pieces]
        for a in range(count):
            for b in range(a):
                curve = fit(spectra[a], spectra[b], size)
                fits[number, a, b] = max(float(curve[:reach].max()), float(curve[-reach:].max()))
    both = np.median(fits, axis=0)
    # The root: many that hear it count more than one copy.
    heard = np.sqrt(both + both.T).sum(axis=1)
    return tuple(int(track) for track in np.argsort(-heard, kind="stable"))


def best_pair(first: Recording, second: Recording, place: FoundPlace) -> tuple[int, int]:
    """Tracks of two recordings that fit best where the two lie.

    Parameters
    ----------
    first, second : Recording
    place : FoundPlace
        Where the second lies.
    """
    begin, end = place.shared_s
    fits = []
    for time_s in np.linspace(begin + 1.0, end - _PIECE_S - 1.0, _PIECES):
        offset_s = place.offset_at_s(float(time_s))
        pieces = _cut(first, time_s, _PIECE_S)
        stretches = _cut(second, time_s + offset_s - _NEAR_S, _PIECE_S + 2 * _NEAR_S)
        size = fft_size(len(stretches[0]))
        reach = round(2 * _NEAR_S * LOW_RATE_HZ)
        spectra = [whitened(stretch, size) for stretch in stretches]
        fits.append(
            [
                [float(fit(b, a, size)[: reach + 1].max()) for b in spectra]
                for a in (whitened(piece, size) for piece in pieces)
            ]
        )
    best = np.median(np.array(fits), axis=0)
    a, b = np.unravel_index(int(best.argmax()), best.shape)
    return int(a), int(b)


def _cut(recording: Recording, start_s: float, length_s: float) -> list[Real]:
    rate = recording.sample_rate_hz
    start = round(start_s * rate)
    return [low_rate([row], rate) for row in recording.read(start, start + round(length_s * rate))]


def fft_size(n_samples: int) -> int:
    """Size of transforms in which so many samples do not wrap round onto near lags."""
    from scipy import fft

    return int(fft.next_fast_len(n_samples, real=True))
