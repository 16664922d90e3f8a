"""A file of another recorder as the reference's clock sees it, read in order, for the copy that lines up.

Conventions: as in `render`; the first sample handed out lies on the reference's first one, or where the
copy's start time says.  What the recorder did not hear yet is silence, what it heard before is left out.
"""

from collections.abc import Callable
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polaritykit.audio.other_clock import Clock, read_stretched

#: Samples read and thrown away at a time before the copy begins.
_SKIPPED = 65_536


class LinedUpSource:
    """Hands out the samples of a lined-up file in order.

    Parameters
    ----------
    read : callable
        Returns the next ``n`` samples of the file, ``(n, n_channels)``, ``int32`` or floating point.
    frames : int
        Samples per channel in the file.
    clock : Clock
        Where it lies; without drift and whole samples away, samples are only moved.
    rate_hz : int
        Of the file, and of the copy.
    bits : int or None
        Depth of integer samples; they are dithered (triangular, two steps wide) and limited.
    seed : int
        Seed of the dither.
    """

    def __init__(
        self,
        *,
        read: Callable[[int], NDArray[Any]],
        frames: int,
        clock: Clock,
        rate_hz: int,
        bits: int | None,
        seed: int,
    ) -> None:
        self._next = read
        self._in_frames = frames
        self._clock = clock
        self._rate_hz = rate_hz
        self._bits = bits
        self._random = np.random.default_rng(seed)
        self._kept = read(0)
        self._kept_from = 0
        self._read_to = 0
        self._position = 0
        first = -clock.start_s * rate_hz
        self._only_moved = not clock.drift_ppm and abs(first - round(first)) < 1e-6
        #: Samples per channel handed out in all.
        self.frames = max(ceil(clock.session_s(frames / rate_hz) * rate_hz), 1)
        #: Samples limited to full scale so far, per channel.
        self.limited = [0] * self._kept.shape[1]

    def read(self, n: int) -> NDArray[Any]:
        """Return the next samples, of the file's type."""
        first = self._clock.own_s(self._position / self._rate_hz) * self._rate_hz
        self._position += n
        if self._only_moved or not n:
            return self._raw(round(first), round(first) + n)
        heard = read_stretched(self._steps, first=first, step=self._clock.pace, count=n)
        return heard.astype(self._kept.dtype) if self._bits is None else self._integers(heard)

    def _steps(self, start: int, stop: int) -> NDArray[Any]:
        """Read floats: integers in their own steps, what is no number as silence."""
        raw = self._raw(start, stop).astype(np.float64)
        if self._bits is None:
            return np.nan_to_num(raw, nan=0.0, posinf=0.0, neginf=0.0)
        return raw / 2.0 ** (32 - self._bits)

    def _integers(self, steps: NDArray[Any]) -> NDArray[Any]:
        bits = self._bits or 32
        dithered = np.rint(steps + self._random.random(steps.shape) - self._random.random(steps.shape))
        top = 2.0 ** (bits - 1)
        over = (dithered > top - 1) | (dithered < -top)
        self.limited = [old + int(new) for old, new in zip(self.limited, over.sum(axis=0), strict=True)]
        return np.asarray(np.clip(dithered, -top, top - 1) * 2.0 ** (32 - bits), np.int32)

    def _raw(self, start: int, stop: int) -> NDArray[Any]:
        """Read samples ``[start, stop)``, zeros outside; no start lies before an earlier one."""
        out = np.zeros((stop - start, self._kept.shape[1]), self._kept.dtype)
        first, last = max(start, 0), min(stop, self._in_frames)
        if first >= last:
            return out
        while self._read_to < first:
            self._kept_from = self._read_to
            self._kept = self._next(min(_SKIPPED, first - self._read_to))
            self._read_to += len(self._kept)
        fresh = self._next(max(last - self._read_to, 0))
        self._read_to += len(fresh)
        kept = self._kept[max(first - self._kept_from, 0) :]
        self._kept_from = max(first, self._kept_from)
        self._kept = np.concatenate([kept, fresh])
        out[first - start : last - start] = self._kept[first - self._kept_from : last - self._kept_from]
        return out
