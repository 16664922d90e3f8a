"""Flat tops: runs of samples at the highest value of a track, as a clipped converter or preamp leaves.

They are found at full scale and below it (clipped, then turned down).  A low note, too, holds its top
code for several samples; a run counts only where the waveform

- leaves the run faster than a parabola of the run's own length and flatness would, and
- was heading above the ceiling on at least one side (a square wave jumps there from standing still).

Conventions: samples are ``(n_tracks, n)`` float32, 1.0 is full scale; positive and negative tops have
their own ceilings.  Limits: tops that a filter, a resampler or a codec bent later are not found, nor
tops under a higher peak elsewhere in the take.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Samples

Integers = NDArray[np.intp]

#: How much faster than a parabola a run must be left.  Between 1 (no margin) and 2; the drops themselves
#: are a few times larger on clipped material.
_CORNER_MARGIN = 1.5
#: A ceiling fewer steps above zero than this is noise of the last bits, not a waveform.
_FEWEST_STEPS = 32
_TWO_16_BIT_STEPS = 2.0**-14
#: Samples in a row at the ceiling that make a flat top (common practice: 2 or 3; three let a normalised low
#: note, whose top code repeats, pass).
_RUN_SAMPLES = 3
#: A top is flat when its samples agree this well: 2e-4 is -74 dB, above a converter's noise.
_FLATNESS = 2e-4
#: From this fraction of full scale one flat top is enough; below it they must repeat.
FULL_SCALE = 0.9995
_RUNS_BELOW_FULL_SCALE = 3
#: No flat top is looked for below this: nobody turns a clipped track down by 40 dB.
_LOWEST_DBFS = -40.0


@dataclass(frozen=True, kw_only=True)
class Clipping:
    """Flat tops of one track."""

    runs: int
    samples: int
    #: Linear level of the ceiling, or None without flat tops.
    ceiling: float | None


class ClipDetector:
    """Counts the flat tops of every track at its ceiling so far.

    Parameters
    ----------
    n_tracks : int
        Number of tracks.
    """

    def __init__(self, n_tracks: int) -> None:
        # Rows: positive tops, negative tops.
        self._ceiling = np.full((2, n_tracks), 10 ** (_LOWEST_DBFS / 20))
        self._runs = np.zeros((2, n_tracks), dtype=np.intp)
        self._samples = np.zeros((2, n_tracks), dtype=np.intp)

    def update(
        self, samples: Samples, context: int, tile_samples: int, lowest: Samples, highest: Samples
    ) -> None:
        """Take in consecutive tiles.

        Parameters
        ----------
        samples : array, shape (n_tracks, context + n_tiles * tile_samples + context)
            The tiles with what comes before and after them.
        context, tile_samples : int
            Lengths in samples.
        lowest, highest : array, shape (n_tracks, n_tiles)
            Extremes of each tile.
        """
        for side, tops in enumerate((highest, -lowest)):
            ceiling = self._ceiling[side]
            top = tops.max(axis=1)
            higher = top > ceiling + self._tolerance(ceiling)
            self._runs[side, higher] = 0
            self._samples[side, higher] = 0
            np.maximum(ceiling, top, out=ceiling)
            tracks, tiles = np.nonzero(tops >= (ceiling - self._tolerance(ceiling))[:, np.newaxis])
            if len(tracks) == 0:
                continue
            windows = np.lib.stride_tricks.sliding_window_view(samples, tile_samples + 2 * context, axis=1)
            rows = windows[tracks, tiles * tile_samples]
            self._count(side, tracks, rows if side == 0 else -rows, context)

    def result(self) -> tuple[Clipping, ...]:
        """Flat tops of each track, both sides together."""
        fewest = np.where(self._ceiling >= FULL_SCALE, 1, _RUNS_BELOW_FULL_SCALE)
        counts = self._runs >= fewest
        found = []
        for track in range(self._runs.shape[1]):
            sides = counts[:, track]
            found.append(
                Clipping(
                    runs=int(self._runs[sides, track].sum()),
                    samples=int(self._samples[sides, track].sum()),
                    ceiling=float(self._ceiling[sides, track].max()) if sides.any() else None,
                )
            )
        return tuple(found)

    def _tolerance(self, ceiling: Floats) -> Floats:
        tolerance: Floats = np.maximum(_FLATNESS * ceiling, _TWO_16_BIT_STEPS)
        return tolerance

    def _count(self, side: int, tracks: Integers, rows: Samples, context: int) -> None:
        """Count the runs that start inside the tiles of these rows."""
        ceiling = self._ceiling[side, tracks]
        at_top = rows >= (ceiling - self._tolerance(ceiling))[:, np.newaxis]
        at_top[:, :2] = False
        at_top[:, -2:] = False
        # Most tiles hold a peak or two at the ceiling and no run.
        enough = np.count_nonzero(at_top, axis=1) >= _RUN_SAMPLES
        tracks, rows, ceiling, at_top = tracks[enough], rows[enough], ceiling[enough], at_top[enough]
        change = np.diff(at_top.astype(np.int8), axis=1)
        row, start = np.nonzero(change == 1)
        end = np.nonzero(change == -1)[1]  # last sample of the run; same order as the starts
        start = start + 1
        wanted = (start >= context) & (start < rows.shape[1] - context)
        wanted &= end - start + 1 >= _RUN_SAMPLES
        row, start, end = row[wanted], start[wanted], end[wanted]
        if len(row) == 0:
            return
        flat = self._is_flat(rows, row, start, end, ceiling[row])
        np.add.at(self._runs[side], tracks[row[flat]], 1)
        np.add.at(self._samples[side], tracks[row[flat]], (end - start + 1)[flat])

    def _is_flat(
        self, rows: Samples, row: Integers, start: Integers, end: Integers, ceiling: Floats
    ) -> NDArray[np.bool_]:
        """Whether each run has corners that lead on above the ceiling."""
        before, after = rows[row, start - 1], rows[row, end + 1]
        drop = ceiling - (before + after) / 2
        half = (end - start) / 2
        # A parabola that falls by d at `half` falls by d·((half + 1)² + ¼)/half² one sample further out,
        # averaged over both sides when its centre is up to half a sample off.
        parabola = ((half + 1) ** 2 + 0.25) / half**2
        used, place = np.unique(row, return_inverse=True)
        step = _smallest_step(rows[used])[place]
        corner = drop > _CORNER_MARGIN * parabola * (self._tolerance(ceiling) + step)
        rising = ceiling - before <= 1.5 * (before - rows[row, start - 2])
        falling = ceiling - after <= 1.5 * (after - rows[row, end + 2])
        return np.asarray(corner & (rising | falling) & (ceiling > _FEWEST_STEPS * step))


def _smallest_step(rows: Samples) -> NDArray[np.float32]:
    """Smallest difference between two values of a row: its quantisation step, or next to nothing."""
    steps = np.diff(np.sort(rows, axis=1), axis=1)
    steps[steps <= 0] = np.inf
    smallest: NDArray[np.float32] = steps.min(axis=1)
    return smallest
