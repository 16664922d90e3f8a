"""Highest peak that the sum of all tracks reaches once corrected, or can reach at all.

Conventions: levels are dB, 0 dBFS is a full-scale sample.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain

import numpy as np

from polaritykit.base.cores import on_cores
from polaritykit.base.types import BLOCK_SAMPLES, Recording, Samples
from polaritykit.levels.tiles import Tiles
from polaritykit.levels.true_peak import CONTEXT, STRETCH, TruePeakMeter

#: Tiles the sum is looked at in; any length does.
_TILE_SAMPLES = 48 * STRETCH
#: Track-samples up to which the corrected sum is really made to find its peak (24 tracks of 5 minutes);
#: longer sessions get the bound, so that the files are not read twice.
MOST_SUMMED = 3.5e8


def worst_sum_dbfs(peaks_dbfs: Iterable[float | None]) -> float | None:
    """Highest peak the plain sum of tracks can reach, whatever their polarity and delay.

    Parameters
    ----------
    peaks_dbfs : iterable of float or None
        (True) peaks of the tracks; None is silence.

    Returns
    -------
    float or None
        ``20·log10 Σ 10^(peak/20)``: all peaks at one instant.

    Examples
    --------
    >>> round(worst_sum_dbfs([-12.0412, -12.0412]), 2)
    -6.02
    """
    total = sum(10 ** (peak / 20) for peak in peaks_dbfs if peak is not None)
    return 20 * float(np.log10(total)) if total > 0 else None


def sum_headroom_db(blocks: Iterable[Samples]) -> float | None:
    """Headroom of the plain sum of tracks: how far its true peak stays under full scale.

    Parameters
    ----------
    blocks : iterable of array, shape (n_tracks, n)
        Consecutive blocks of the (corrected) tracks, at unity gain.

    Returns
    -------
    float or None
        Positive: room left; negative: the sum must come down by this much.  None for silence.
    """
    meter, tiles = TruePeakMeter(1), Tiles(1, _TILE_SAMPLES, CONTEXT)
    sums = (tiles.cut(block.sum(axis=0, keepdims=True, dtype=np.float32)) for block in blocks)
    for samples in chain(chain.from_iterable(sums), tiles.last()):
        inside = samples[:, CONTEXT:-CONTEXT].reshape(1, -1, _TILE_SAMPLES)
        meter.update(samples, _TILE_SAMPLES, np.abs(inside).max(axis=2))
    peak = float(meter.peaks[0])
    return -20 * float(np.log10(peak)) if peak > 0 else None


def corrected_blocks(
    recording: Recording,
    inverts: Sequence[bool],
    delay_samples: Sequence[float],
    block_samples: int = BLOCK_SAMPLES,
) -> Iterator[Samples]:
    """Yield the corrected tracks block by block, delays rounded to whole samples (enough for a peak).

    Parameters
    ----------
    recording : Recording
    inverts : sequence of bool
        One a track.
    delay_samples : sequence of float
        One a track, ≥ 0; later.
    block_samples : int
    """
    n_tracks, whole = len(inverts), [round(delay) for delay in delay_samples]
    for start in range(0, recording.n_samples + max(whole, default=0), block_samples):

        def read(k: int, start: int = start) -> Samples:
            return recording.read(start - whole[k], start - whole[k] + block_samples, (k,))

        rows = list(on_cores(read, range(n_tracks)))
        yield np.concatenate([-row if invert else row for row, invert in zip(rows, inverts, strict=True)])


def changed_blocks(
    recording: Recording,
    plain_sum: Samples,
    inverts: Sequence[bool],
    delay_samples: Sequence[float],
    block_samples: int = BLOCK_SAMPLES,
) -> Iterator[Samples]:
    """Yield what the corrected sum is made of, block by block: the plain sum, and what each track changes.

    Only tracks that are flipped or delayed otherwise than most are read.

    Parameters
    ----------
    recording : Recording
    plain_sum : ndarray, shape (n_samples,)
        Of all tracks as recorded.
    inverts : sequence of bool
        One a track.
    delay_samples : sequence of float
        One a track, ≥ 0; later.
    block_samples : int
    """
    whole = np.array([round(delay) for delay in delay_samples])
    # A desk only delays: what most tracks are delayed by is common to all, and changes no peak.
    late = (whole - np.bincount(whole).argmax()).tolist()
    changed = [k for k, invert in enumerate(inverts) if invert or late[k]]
    early, more = max(0, -min(late)), max(0, *late)
    lasting = np.pad(plain_sum, (early, more))[np.newaxis]
    for place in range(0, lasting.shape[1], block_samples):
        plain = lasting[:, place : place + block_samples]

        def change(k: int, start: int = place - early, n: int = plain.shape[1]) -> Samples:
            first = start - max(0, late[k])
            samples = recording.read(first, start + n - min(0, late[k]), (k,))
            moved, still = (samples[:, at - first :][:, :n] for at in (start - late[k], start))
            return (-moved if inverts[k] else moved) - still

        yield np.concatenate([plain, *on_cores(change, changed)])
