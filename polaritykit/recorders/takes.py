"""The takes of a group of files at the low rate, and the two tracks of two groups that fit best.

Conventions: a sound at ``t`` in the first take lies at ``t + offset`` in the second (`sustained/coarse`).
"""

from collections.abc import Iterator

import numpy as np

from polaritykit.base.types import Recording, Samples
from polaritykit.sustained.coarse import FoundPlace
from polaritykit.sustained.whitened import LOW_RATE_HZ, Real, fit, low_rate, whitened

_BLOCK = 1 << 18
#: Every other track counts a little less, so that a side that is upside down does not silence its partner.
_LESS = 0.7
#: Pieces that tracks are compared in, their length and how far from the place.
_PIECES, _PIECE_S, _NEAR_S = 8, 4.0, 0.1


def whole_take(recording: Recording, tracks: tuple[int, ...] | None = None) -> Real:
    """Sum of tracks at the low rate.

    Parameters
    ----------
    recording : Recording
    tracks : tuple of int, optional
        All when left out.
    """
    return low_rate(_sums(recording, tracks), recording.sample_rate_hz)


def _sums(recording: Recording, tracks: tuple[int, ...] | None) -> Iterator[Samples]:
    count = len(recording.track_names) if tracks is None else len(tracks)
    weights = np.where(np.arange(count) % 2, _LESS, 1.0).astype(np.float32)
    for start in range(0, recording.n_samples, _BLOCK):
        yield weights @ recording.read(start, min(start + _BLOCK, recording.n_samples), tracks)


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
        size = 2 * len(stretches[0])
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
