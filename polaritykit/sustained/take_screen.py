"""Which pairs the test of the whole take could call related: its first condition, for all pairs at once.

The test begins with the peak of a pair's correlation in units of chance.  The sums that takes are products
of matrices for all pairs of some tracks with all others, so that a pair costs two sums per bin and one
inverse transform; what chance gives is asked for, less a rounding of single precision.

Conventions: as in `polaritykit.sustained.whole_take`.
"""

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hann import BINS_ALIKE, INDEPENDENT_FRAMES
from polaritykit.base.types import Floats, Recording
from polaritykit.sustained.take_frames import TakePlan, whiten
from polaritykit.sustained.whole_take import CHANCE, FINE, RANGE_DB, UP_TO_HZ, normal_tail

#: Sums over frames that are kept at a time.
_BYTES = 2.5e8
#: Frames multiplied at once, bins of one product, and pairs transformed together.
_FRAMES, _BINS, _PAIRS = 8, 64, 32
#: Single precision leaves sums over some hundred frames within a thousandth.
_ROUNDED = 0.99
#: Fewest bins of a weighting.
_LEAST_BINS = 4

Pairs = list[tuple[int, int]]


def may_share(recording: Recording, plan: TakePlan, pairs: Pairs) -> Pairs:
    """Pairs that stand above chance over the whole take; no other could pass the test.

    Parameters
    ----------
    recording : Recording
    plan : TakePlan
    pairs : list of (int, int)
        Open pairs of tracks, the first before the second.

    Returns
    -------
    list of (int, int)
        Those of them that are to be tested, in their order.
    """
    tracks = tuple(sorted({track for pair in pairs for track in pair}))
    power = plan.power(recording, tracks)
    place = {track: k for k, track in enumerate(tracks)}
    partners: dict[int, list[int]] = {}
    for a, b in pairs:
        partners.setdefault(place[a], []).append(place[b])
    firsts = sorted(partners)
    # A product and a power, of four and eight bytes.
    at_once = max(1, int(_BYTES / (12 * len(tracks) * power.shape[1])))
    kept: set[tuple[int, int]] = set()
    with ThreadPoolExecutor(os.cpu_count() or 1, thread_name_prefix="take") as threads:
        for begin in range(0, len(firsts), at_once):
            rows = firsts[begin : begin + at_once]
            sums = _summed(recording, plan, tracks, power=power, rows=rows, threads=threads)
            # Of its row's first track on: the others' pairs with it were tested with them.
            work = [
                (sums, row, partners[row][at : at + _PAIRS])
                for row in rows
                for at in range(0, len(partners[row]), _PAIRS)
            ]
            for row, found in threads.map(lambda item: (item[1], _standing(plan, power, *item)), work):
                kept.update((row, other) for other in found)
    return [(a, b) for a, b in pairs if (place[a], place[b]) in kept]


@dataclass(frozen=True, kw_only=True)
class _Sums:
    """Sums over all frames of some tracks with those after the first of them, (n_bins, n_rows, n_columns)."""

    cross: NDArray[np.complex64]
    power: NDArray[np.float32]
    rows: Sequence[int]
    #: Track of the first column.
    first: int


def _summed(
    recording: Recording,
    plan: TakePlan,
    tracks: tuple[int, ...],
    *,
    power: Floats,
    rows: Sequence[int],
    threads: ThreadPoolExecutor,
) -> _Sums:
    first, n_bins = rows[0], power.shape[1]
    read, own = tracks[first:], [row - first for row in rows]
    cross = np.zeros((n_bins, len(rows), len(read)), np.complex64)
    powers = np.zeros(cross.shape, np.float32)
    batch = np.empty((_FRAMES, len(read), n_bins), np.complex64)
    filled = 0

    def multiply(at: int, frames: NDArray[np.complex64]) -> None:
        part = np.ascontiguousarray(frames[:, :, at : at + _BINS].transpose(2, 1, 0))
        size = np.square(np.abs(part))
        cross[at : at + _BINS] += part[:, own].conj() @ part.transpose(0, 2, 1)
        powers[at : at + _BINS] += size[:, own] @ size.transpose(0, 2, 1)

    total = len(plan.starts) * plan.run
    for number, frame in enumerate(plan.frames(recording, read), start=1):
        batch[filled] = frame
        whiten(batch[filled], power[first:])
        filled += 1
        if filled == _FRAMES or number == total:
            ready = batch[:filled]
            list(threads.map(lambda at, ready=ready: multiply(at, ready), range(0, n_bins, _BINS)))
            filled = 0
    return _Sums(cross=cross, power=powers, rows=rows, first=first)


def _standing(plan: TakePlan, power: Floats, sums: _Sums, row: int, others: list[int]) -> list[int]:
    """Those of a track's partners with which it stands above chance under some weighting."""
    from scipy.fft import irfft

    own, columns = list(sums.rows).index(row), [other - sums.first for other in others]
    weights = _weights(plan, power, row, others)
    sizes = sums.power[:, own][:, columns].T * (BINS_ALIKE / (2.0 * INDEPENDENT_FRAMES))
    chance = np.sqrt(np.einsum("pwb,pb->pw", weights**2, sizes))
    size = plan.size * FINE
    spectra = np.zeros((*weights.shape[:2], size // 2 + 1), np.complex64)
    spectra[..., plan.low : plan.high] = weights * sums.cross[:, own][:, columns].T[:, None]
    reach = round(plan.search_s * plan.sample_rate_hz) * FINE
    curves = irfft(spectra, axis=-1, overwrite_x=True)
    np.abs(curves, out=curves)
    tall = np.maximum(curves[..., -reach:].max(axis=-1), curves[..., : reach + 1].max(axis=-1))
    heights = tall * (size / 2) / np.maximum(chance, 1e-30)
    stands = (heights >= _ROUNDED * _needed(plan, weights)).any(axis=1)
    return [other for other, keep in zip(others, stands, strict=True) if keep]


def _weights(plan: TakePlan, power: Floats, row: int, others: list[int]) -> Floats:
    """Weightings of the spectrum, (n_others, n_weightings, n_bins); zero where one holds too few bins."""
    least = 10.0 ** (-RANGE_DB / 10.0)
    own, its = power[row], power[others]
    inside = (own >= own.max() * least) & (its >= its.max(axis=1, keepdims=True) * least)
    flat = inside.astype(np.float32)
    stack = np.stack(
        [flat, np.sqrt(own * its) * flat, *(flat * (plan.frequency_hz <= up_to) for up_to in UP_TO_HZ)],
        axis=1,
    )
    stack[np.count_nonzero(stack, axis=2) < _LEAST_BINS] = 0.0
    return np.asarray(stack / np.maximum(np.sqrt(np.sum(stack**2, axis=2, keepdims=True)), 1e-30))


def _needed(plan: TakePlan, weights: Floats) -> Floats:
    """Height that chance seldom exceeds under each weighting; infinite under one that holds too few bins."""
    band_hz = weights.sum(axis=2) ** 2 * plan.sample_rate_hz / plan.size
    lags = np.maximum(2.0 * 2.0 * plan.search_s * band_hz, 1.0)
    counts = np.count_nonzero(band_hz, axis=1)[:, None]
    needed = normal_tail(CHANCE / (lags * np.maximum(counts, 1)))
    return np.where(band_hz > 0.0, needed, np.inf)
