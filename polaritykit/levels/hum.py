"""Mains hum: lines at 50 or 60 Hz and their harmonics that stand still over the whole take.

A bass note at 49 or 61.7 Hz is told apart by its frequency (2 s windows resolve 1 Hz) and by coming and
going; so hum is looked for in the quieter half of the windows, where it must always be, at one level.

Conventions: lines are in Hz, their levels plain RMS power (a full-scale sine is 0.5).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Samples

#: Lines looked for, each with its mains frequency (300 Hz belongs to both and says nothing).
LINES_HZ = (
    *((50.0, 50), (100.0, 50), (150.0, 50), (200.0, 50), (250.0, 50)),
    *((60.0, 60), (120.0, 60), (180.0, 60), (240.0, 60)),
)
_WINDOW_S = 2.0
#: Mains frequency wanders by about this share of itself (common practice: ±0.2 Hz of 50).
_WANDER = 0.004
#: The sides a line is compared with begin and end this far outside its own range.
_SIDES_HZ = (0.7, 2.1)
#: A hum line stands this far above both sides of its spectrum (2 s windows) ...
_PROMINENCE_DB = 10.0
#: ... in this share of the quieter half of the windows, at one level within the spread below.
_PRESENCE = 0.8
_SPREAD_DB = 4.0
#: Fewest windows of 2 s (at 1 s steps) for a verdict on hum.
_FEWEST_WINDOWS = 4


@dataclass(frozen=True, kw_only=True)
class Hum:
    """Hum of one track."""

    mains_hz: float
    level_dbfs: float


class HumDetector:
    """Keeps the level of each line and of its surroundings, window by window.

    Parameters
    ----------
    n_tracks : int
        Number of tracks.
    rate_hz : float
        Rate of the decimated samples handed to `update`, at least 600 Hz.
    """

    def __init__(self, n_tracks: int, rate_hz: float) -> None:
        # A length whose only prime factors are small at every usual rate: others take seven times as long.
        self._length = 20 * round(_WINDOW_S * rate_hz / 20)
        self._window = np.hanning(self._length + 1)[:-1]
        spacing = rate_hz / self._length
        bins = np.arange(self._length // 2 + 1) * spacing
        self._ranges = []
        for line, _ in LINES_HZ:
            half = max(_WANDER * line, spacing / 2)
            distance = np.abs(bins - line)
            near = distance <= half + spacing / 100
            side = (distance >= half + _SIDES_HZ[0]) & (distance <= half + _SIDES_HZ[1])
            self._ranges.append([_slice(r) for r in (near, side & (bins < line), side & (bins > line))])
        #: Bins looked at, and one more.
        self._n_bins = 1 + max(some.stop for ranges in self._ranges for some in ranges)
        self._pending = np.zeros((n_tracks, 0), dtype=np.float32)
        # Two arrays (n_tracks, n_lines) a window: 72 bytes a second and track.
        self._lines: list[Samples] = []
        self._sides: list[Samples] = []

    def update(self, samples: Samples) -> None:
        """Take in consecutive decimated samples, shape ``(n_tracks, n)``."""
        self._pending = np.concatenate([self._pending, samples], axis=1)
        step = self._length // 2
        n_windows = (self._pending.shape[1] - self._length) // step + 1
        if n_windows < 1:
            return
        windows = np.lib.stride_tricks.sliding_window_view(self._pending, self._length, axis=1)[:, ::step]
        spectrum = np.fft.rfft(windows[:, :n_windows] * self._window, axis=2)[:, :, : self._n_bins]
        # Peak bin of a sine of RMS r under a window w: |X| = r/√2·Σw; hence r² = 2|X|²/(Σw)².
        power = 2 * np.abs(spectrum) ** 2 / self._window.sum() ** 2
        # Three bins together lose nothing when the line lies between two (Hann: 1.5 bins of noise).
        power3 = (power[:, :, :-2] + power[:, :, 1:-1] + power[:, :, 2:]) / 1.5
        peak = [power3[:, :, near.start - 1 : near.stop - 1].max(axis=2) for near, _, _ in self._ranges]
        side = [
            np.maximum(power[:, :, low].mean(axis=2), power[:, :, high].mean(axis=2))
            for _, low, high in self._ranges
        ]
        for kept, told in ((self._lines, peak), (self._sides, side)):
            kept += list(np.stack(told, axis=2).astype(np.float32).transpose(1, 0, 2))
        self._pending = self._pending[:, n_windows * step :]

    def result(self) -> tuple[Hum | None, ...]:
        """Hum of each track, or None where there is none (or too short a take to tell)."""
        n_tracks = self._pending.shape[0]
        if len(self._lines) < _FEWEST_WINDOWS:
            return (None,) * n_tracks
        lines = np.stack(self._lines).astype(np.float64)
        sides = np.stack(self._sides).astype(np.float64)
        return tuple(_judge(lines[:, track], sides[:, track]) for track in range(n_tracks))


def _slice(chosen: NDArray[np.bool_]) -> slice:
    """Bins side by side."""
    found = np.flatnonzero(chosen)
    return slice(int(found[0]), int(found[-1]) + 1)


def _judge(lines: Floats, sides: Floats) -> Hum | None:
    """Decide for one track from ``(n_windows, n_lines)`` powers."""
    steady: dict[int, dict[float, float]] = {50: {}, 60: {}}
    for number, (line_hz, mains) in enumerate(LINES_HZ):
        # Digital silence holds no hum and no pause.
        heard = np.flatnonzero(lines[:, number] > 0)
        if len(heard) < _FEWEST_WINDOWS:
            continue
        quiet = heard[np.argsort(sides[heard, number], kind="stable")[: max(2, (len(heard) + 1) // 2)]]
        level = 10 * np.log10(lines[quiet, number])
        prominence = level - 10 * np.log10(np.maximum(sides[quiet, number], 1e-30))
        present = prominence >= _PROMINENCE_DB
        if present.mean() < _PRESENCE:
            continue
        low, high = np.quantile(level[present], (0.1, 0.9))
        if high - low <= _SPREAD_DB:
            steady[mains][line_hz] = float(10 ** (np.median(level[present]) / 10))
    found = max(steady, key=lambda mains: sum(steady[mains].values()))
    powers = steady[found]
    # One harmonic alone may be a held note; the fundamental or two lines of one family are not.
    if float(found) not in powers and len(powers) < 2:
        return None
    return Hum(mains_hz=float(found), level_dbfs=float(10 * np.log10(sum(powers.values()))))
