"""Tracks that are sums of others, printed along: a bus, a mixdown.

A microphone hears what no other one does: its own place in the room, its own noise.  A bus is what others
hear and nothing else: least squares on the other tracks leave nothing of it, by gains that are real, positive
and alike over octaves.  (A mic of that bus is made up of the others too, but with some of them taken away.)

Conventions: ``late_s`` positive where the bus is late.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.cores import on_cores
from polaritykit.base.processes import in_processes
from polaritykit.base.types import Floats
from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.findings import PairCause
from polaritykit.decide.scene import PrintedSum
from polaritykit.spectra.pool import Spectra

#: Bins looked at, spread over those within so much of the track's strongest one.
_BINS, _RANGE_DB = 96, 40.0
#: Least squares on n tracks explain n of so many frames of anything: fewer frames tell nothing.
_FRAMES_PER_TRACK = 4
#: What is left of a bus by least squares, bin by bin, in half of the bins (a first look: mics of simulated
#: kits of the development split leave 5 to 20 %); and by gains that are real and positive (a bus in time
#: leaves a millionth, those mics 70 to 99 %), beyond what the ends of frames leave of a late one.
_LEFT_FREE, _LEFT_BY_GAINS = 0.03, 0.01
#: Most that frames' ends may leave: a bus up to some ten milliseconds late.
_LEFT_BY_ENDS = 0.06
#: Parts of equal frequency range that a bus may be filtered in.
_BANDS = 4
#: A part brings this much of the bus's power.
_LEAST_PART = 1e-3
#: Against numbers that are exact copies of one another.
_RIDGE = 1e-7
#: Of the bins whose matrices are worked on at a time, each core.
_BYTES = 2e7


def find_sums(spectra: Spectra, usable: Sequence[bool]) -> tuple[PrintedSum, ...]:
    """Find the tracks that are sums of others.

    Parameters
    ----------
    spectra : Spectra
        Pooled over what all tracks share.
    usable : sequence of bool
        Tracks that are neither silent nor exact copies.

    Returns
    -------
    tuple of PrintedSum
        In session order.
    """
    tracks = np.flatnonzero(usable)
    if len(tracks) < 3 or spectra.n_frames < _FRAMES_PER_TRACK * len(tracks):
        return ()
    bins = {track: _bins_of(spectra.power[track]) for track in tracks.tolist()}
    places = np.unique(np.concatenate(list(bins.values())))
    left = _left_free(spectra, tracks, places)
    likely = [
        track
        for row, track in enumerate(tracks.tolist())
        if len(bins[track]) and np.median(left[np.searchsorted(places, bins[track]), row]) <= _LEFT_FREE
    ]
    found = in_processes(lambda track: _printed(spectra, tracks, track, bins[track]), likely)
    return tuple(one for one in found if one is not None)


def with_sums(
    pairs: Mapping[tuple[int, int], Conclusion], sums: Sequence[PrintedSum], names: Sequence[str]
) -> dict[tuple[int, int], Conclusion]:
    """Say of the pairs of a sum why they are not judged.

    Parameters
    ----------
    pairs : mapping of (a, b), a < b, to Conclusion
    sums : sequence of PrintedSum
    names : sequence of str

    Returns
    -------
    dict of (a, b) to Conclusion
    """
    found = dict(pairs)
    for one in sums:
        cause = PairCause(code="printed_sum", home=names[one.track])
        for pair in (pair for pair in pairs if one.track in pair):
            found[pair] = replace(found[pair], cause=cause)
    return found


def _bins_of(power: Floats) -> NDArray[np.int64]:
    """Bins by which a track is looked at; none where too few are strong."""
    strong = np.flatnonzero(power >= power.max() * 10.0 ** (-_RANGE_DB / 10.0))
    strong = strong[strong > 0]
    if len(strong) < _BINS // _BANDS:
        return strong[:0]
    return strong[np.unique(np.linspace(0, len(strong) - 1, _BINS).round().astype(np.int64))]


def _left_free(spectra: Spectra, tracks: NDArray[np.int64], bins: NDArray[np.int64]) -> Floats:
    """Share of each track's power that no complex gains on the others explain, shape (n_bins, n_tracks).

    One inverse tells it of all tracks: what is left of each is one over its diagonal (in regression the
    variance inflation factor; common practice, from memory).
    """
    at_once = max(1, int(_BYTES / (16 * len(tracks) ** 2)))

    def of(part: NDArray[np.int64]) -> Floats:
        size = np.sqrt(np.maximum(spectra.power[tracks][:, part], 1e-30)).T
        among = spectra.matrix[part][:, tracks[:, None], tracks] / (size[:, :, None] * size[:, None, :])
        inverse = np.linalg.inv(among + _RIDGE * np.eye(len(tracks)))
        return np.asarray(1.0 / np.einsum("kii->ki", inverse).real - _RIDGE)

    parts = [bins[at : at + at_once] for at in range(0, len(bins), at_once)]
    return np.concatenate(list(on_cores(of, parts)))


def _printed(
    spectra: Spectra, tracks: NDArray[np.int64], track: int, bins: NDArray[np.int64]
) -> PrintedSum | None:
    """Tell whether one track is a sum of some."""
    others = tracks[tracks != track]
    own = spectra.power[track][bins]
    # Gains are of the tracks as they are, and real.
    bands = np.array_split(np.arange(len(bins)), _BANDS)
    grams = [
        np.tensordot(1.0 / own[band], spectra.matrix.real[bins[band]], 1)[others[:, None], others] / len(band)
        for band in bands
    ]
    cross = spectra.matrix[bins[:, None], others, track] / own[:, None]
    for late in _lags(spectra, others, track):
        ends = _left_by_ends(late, spectra.fft_size)
        if ends > _LEFT_BY_ENDS:
            continue
        turn = np.exp(2j * np.pi * spectra.frequency_hz[bins] * late / spectra.sample_rate_hz)
        turned = (cross * turn[:, None]).real
        brings = _brings(grams, [turned[band].mean(axis=0) for band in bands], ends)
        if brings is not None and (parts := others[brings >= _LEAST_PART]).size > 1:
            return PrintedSum(track=track, parts=tuple(parts.tolist()), late_s=late / spectra.sample_rate_hz)
    return None


def _lags(spectra: Spectra, others: NDArray[np.int64], track: int) -> list[int]:
    """By how many samples the track may be late: where its correlation with each other one peaks, and not."""
    cross = spectra.matrix.transpose(1, 2, 0)[others, track]
    whitened = cross / np.maximum(np.abs(cross), 1e-30)
    peaks = np.argmax(np.fft.irfft(whitened, spectra.fft_size, axis=1), axis=1)
    late = np.where(peaks > spectra.fft_size // 2, 0, peaks)
    return sorted({0, *late.tolist()})


def _left_by_ends(late: int, frame: int) -> float:
    """Share of the power of a Hann frame that one so much later does not hold: (late·w′)² over w².

    To first order; means of sin² and of (1 − cos)² are 1/2 and 3/2.
    """
    return (2.0 * np.pi * late / frame) ** 2 / 3.0


def _brings(grams: Sequence[Floats], aims: Sequence[Floats], ends: float) -> Floats | None:
    """Share of the power that each track brings with real positive gains; None where they leave too much.

    By the products of the others among themselves and with the track, band by band.
    """
    from scipy.optimize import nnls

    n = len(aims[0])
    brings = np.zeros((_BANDS, n))
    for row, gram, aim in zip(brings, grams, aims, strict=True):
        root = np.linalg.cholesky(gram + _RIDGE * np.trace(gram) / n * np.eye(n)).T
        gains, _ = nnls(root, np.linalg.solve(root.T, aim))
        # The bus's own power is 1 in every bin.
        if 1.0 - 2.0 * gains @ aim + gains @ gram @ gains > _LEFT_BY_GAINS + ends:
            return None
        row[:] = gains**2 * np.diag(gram)
    return np.asarray(brings.max(axis=0))
