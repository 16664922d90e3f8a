"""Which pairs the test of the whole take could call related: its least conditions, for all pairs at once.

A pair's peak must stand above what chance gives, and above what the same two tracks give at moments that are
far apart.  All tracks are read once and held in two bytes a bin (`take_codes`); the sums over frames are
products of matrices for all pairs, so that a pair costs one sum per bin and a few inverse transforms.  Those
that stand are held against moments far apart and then against parts of the take, a few milliseconds each.
Less is asked for than the test asks, by the error of the codes.

Conventions: as in `polaritykit.sustained.whole_take`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.cores import on_cores
from polaritykit.base.hann import BINS_ALIKE, INDEPENDENT_FRAMES
from polaritykit.base.processes import in_processes
from polaritykit.base.types import Floats, Recording
from polaritykit.sustained.moments_apart import MomentsApart, Turned, turned
from polaritykit.sustained.take_codes import BYTES_OF_BIN, ROUGH, Spectra, TakeCodes, read_codes
from polaritykit.sustained.take_frames import FINE, Pairs, TakePlan, by_groups
from polaritykit.sustained.whole_take import CHANCE, RANGE_DB, UP_TO_HZ, TrackPair, normal_tail

#: Codes of all tracks that are held at a time (256 tracks of a minute and more), and sums over frames.
_CODE_BYTES, _SUM_BYTES = 4.2e8, 1.5e8
#: Bins multiplied at once, on each core, and pairs transformed together: their curves stay in the cache.
_BINS, _PAIRS = 16, 8
#: The noise of the codes, twice, is taken off what is asked for.
_LESS = 1.0 - 2.0 * ROUGH
#: Fewest bins of a weighting.
_LEAST_BINS = 4
#: Tracks whose frames are held transformed: ten megabytes each of a minute, as much as the sums took before.
_HELD = 15


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
    bytes_of_track = BYTES_OF_BIN * len(plan.starts) * plan.run * (plan.high - plan.low)
    kept: set[tuple[int, int]] = set()
    for tracks, part in by_groups(pairs, max(2, int(_CODE_BYTES / max(1, bytes_of_track)))):
        codes = read_codes(recording, plan, tracks)
        place = {track: k for k, track in enumerate(tracks)}
        partners: dict[int, list[int]] = {}
        for a, b in part:
            partners.setdefault(place[a], []).append(place[b])
        kept.update((tracks[a], tracks[b]) for a, b in _standing(codes, partners))
    return [pair for pair in pairs if pair in kept]


def _standing(codes: TakeCodes, partners: dict[int, list[int]]) -> list[tuple[int, int]]:
    """Those of the pairs of rows of the codes that could pass."""
    firsts = sorted(partners)
    n_tracks, n_bins = codes.power.shape
    at_once = max(1, int(_SUM_BYTES / (8 * n_tracks * n_bins)))
    above: dict[tuple[int, int], Floats] = {}
    for begin in range(0, len(firsts), at_once):
        sums = _Sums.of(codes, firsts[begin : begin + at_once])
        parts = [
            (row, partners[row][at : at + _PAIRS])
            for row in sums.rows
            for at in range(0, len(partners[row]), _PAIRS)
        ]
        for told in on_cores(lambda part, sums=sums: sums.above_chance(*part), parts):  # type: ignore[misc]
            above.update(told)
    return _above_others(codes, above)


def _above_others(codes: TakeCodes, above: dict[tuple[int, int], Floats]) -> list[tuple[int, int]]:
    """Those of the pairs whose peaks moments far apart leave standing; what is given are their heights."""
    first = sorted({row for row, _ in above})
    kept: list[tuple[int, int]] = []
    held: dict[int, Turned] = {}
    for begin in range(0, len(first), _HELD):
        # The last ones are let go before others are made.
        held.clear()
        rows = first[begin : begin + _HELD]
        held.update(zip(rows, on_cores(lambda row: _turned(codes, row), rows), strict=True))
        partners: dict[int, list[int]] = {}
        for row, other in above:
            if row in held:
                partners.setdefault(other, []).append(row)

        def tested(other: int, partners: dict[int, list[int]] = partners) -> Pairs:
            its = held[other] if other in held else _turned(codes, other)
            return [
                (row, other)
                for row in partners[other]
                if _stands(codes, (row, other), (held[row], its), above[row, other])
            ]

        # Many short steps each: threads would mostly wait for one another.
        for told in in_processes(tested, partners):
            kept += told
    return kept


def _turned(codes: TakeCodes, row: int) -> Turned:
    return turned(codes.frames((row,)).spectra_of(row), codes.plan.run)


def _stands(codes: TakeCodes, pair: tuple[int, int], both: tuple[Turned, Turned], ratios: Floats) -> bool:
    """Whether a pair's peak, whichever weighting is its own, is as high as all that is asked of it."""
    weights = _weights(codes, pair[0], [pair[1]])
    needed = _needed(codes.plan, weights)[0]
    held = np.isfinite(needed)
    # Weightings that hold too few bins are not among the test's.
    place = np.cumsum(held) - 1
    # Fewer lags than the test looks at ask for less than it does.
    apart = MomentsApart.of(codes.plan, *both, weights[0], fine=1)
    tested: TrackPair | None = None
    for own in np.flatnonzero(held & (ratios >= _LESS**2 * ratios.max())).tolist():
        height = float(ratios[own] * needed[own]) / _LESS
        asked = apart.needed(needed, own, height)
        if asked > height:
            continue
        tested = tested or TrackPair.of(codes.frames(pair), *pair)
        peak = tested.peak(int(place[own]))
        if tested.without_mains(peak, _LESS) and asked * tested.scatter(peak) * _LESS <= height:
            return True
    return False


@dataclass(frozen=True, kw_only=True)
class _Sums:
    """Sums over all frames of some tracks with those from the first of them on."""

    codes: TakeCodes
    rows: Sequence[int]
    #: Shape (n_bins, n_rows, n_columns).
    cross: Spectra
    #: Power of it by chance, under each weighting, (n_weightings, n_rows, n_columns).
    power: Floats

    @classmethod
    def of(cls, codes: TakeCodes, rows: Sequence[int]) -> "_Sums":
        first, n_bins = rows[0], codes.power.shape[1]
        own, columns = [row - first for row in rows], slice(first, None)
        inside = _inside(codes)[columns]
        loud = inside * codes.power[columns]
        cross = np.empty((n_bins, len(rows), len(inside)), np.complex64)
        edges = [0, *_tops(codes.plan), n_bins]

        def multiply(bins: slice) -> tuple[Floats, Floats]:
            spectra = np.ascontiguousarray(codes.spectra(columns, bins).transpose(1, 0, 2))
            np.matmul(spectra[:, own].conj(), spectra.transpose(0, 2, 1), out=cross[bins])
            sizes = codes.sizes(columns, bins)
            flat, weighed = (
                (sizes * mask[:, bins, None]).reshape(len(inside), -1) for mask in (inside, loud)
            )
            return flat[own] @ flat.T, weighed[own] @ weighed.T

        parts = [
            (part, slice(at, min(at + _BINS, stop)))
            for part, (low, stop) in enumerate(pairwise(edges))
            for at in range(low, stop, _BINS)
        ]
        power = np.zeros((4, len(rows), len(inside)))
        told = on_cores(lambda item: multiply(item[1]), parts)
        for (part, _), (flat, weighed) in zip(parts, told, strict=True):
            power[0] += flat
            power[1] += weighed
            # Those up to a frequency hold all that lies below.
            power[2 + part :] += flat
        return cls(codes=codes, rows=rows, cross=cross, power=power)

    def above_chance(self, row: int, others: list[int]) -> dict[tuple[int, int], Floats]:
        """Pairs of a track that stand above chance: heights over what is asked for under each weighting."""
        own, columns = list(self.rows).index(row), np.array(others) - self.rows[0]
        weights = _weights(self.codes, row, others)
        chance = np.sqrt(self.power[:, own, columns].T * (BINS_ALIKE / (2.0 * INDEPENDENT_FRAMES)))
        spectra = weights * self.cross[:, own, columns].T[:, None]
        heights = _tallest(self.codes.plan, spectra) / np.maximum(chance, 1e-30)
        ratios = heights / _needed(self.codes.plan, weights)
        return {(row, other): own for other, own in zip(others, ratios, strict=True) if own.max() >= _LESS}


def _tallest(plan: TakePlan, spectra: NDArray[np.generic]) -> Floats:
    """Largest size of the correlations that spectra (…, n_bins) give within the search."""
    from scipy.fft import irfft

    size = plan.size * FINE
    padded = np.zeros((*spectra.shape[:-1], size // 2 + 1), np.complex64)
    padded[..., plan.low : plan.high] = spectra
    reach = plan.reach
    curves = irfft(padded, axis=-1, overwrite_x=True)
    parts = curves[..., -reach:], curves[..., : reach + 1]
    sizes = [np.maximum(part.max(axis=-1), -part.min(axis=-1)) for part in parts]
    return np.asarray(np.maximum(*sizes) * (size / 2), np.float64)


def _inside(codes: TakeCodes) -> NDArray[np.float32]:
    """1 in the bins of each track that count."""
    return np.asarray(codes.power >= 10.0 ** (-RANGE_DB / 10.0), np.float32)


def _tops(plan: TakePlan) -> list[int]:
    """Bins up to each frequency."""
    return [int(np.count_nonzero(plan.frequency_hz <= up_to)) for up_to in UP_TO_HZ]


def _weights(codes: TakeCodes, row: int, others: list[int]) -> NDArray[np.float32]:
    """Weightings of the spectrum, (n_others, n_weightings, n_bins); zero where one holds too few bins."""
    own, its = codes.power[row], codes.power[others]
    least = 10.0 ** (-RANGE_DB / 10.0)
    flat = ((own >= least) & (its >= least)).astype(np.float32)
    stack = np.repeat(flat[:, None], 2 + len(UP_TO_HZ), axis=1)
    stack[:, 1] *= np.sqrt(own * its)
    for number, top in enumerate(_tops(codes.plan), start=2):
        stack[:, number, top:] = 0.0
    stack[np.count_nonzero(stack, axis=2) < _LEAST_BINS] = 0.0
    return stack


def _needed(plan: TakePlan, weights: NDArray[np.float32]) -> Floats:
    """Height that chance seldom exceeds under each weighting; infinite under one that holds too few bins."""
    energy = np.sum(weights**2, axis=2, dtype=np.float64)
    held = energy > 0.0
    amount = np.sum(weights, axis=2, dtype=np.float64) ** 2 / np.where(held, energy, 1.0)
    lags = np.maximum(2.0 * 2.0 * plan.search_s * amount * plan.sample_rate_hz / plan.size, 1.0)
    counts = np.maximum(held.sum(axis=1), 1)[:, None]
    return np.where(held, normal_tail(CHANCE / (lags * counts)), np.inf)
