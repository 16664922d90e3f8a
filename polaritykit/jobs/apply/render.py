"""Flips and delays rendered on blocks: exact where they can be, and flat and linear where they cannot.

Conventions: audio is ``(n_samples, n_channels)``, as files hold it; delays are in samples, ≥ 0, and
move the sound later while the first sample keeps its place, so that the start is padded and the end
grows by the largest delay, rounded up.  Integer samples are ``int32`` with the value in the upper bits.

A flip or a whole-sample delay only moves and negates samples; a fractional delay is `delay_filter`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import ceil, floor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.fractional_delay import HALF_TAPS, delay_filter
from polaritykit.base.types import Floats

#: A delay this near a whole sample is taken as whole: a shift of −90 dB at 0.45 × the rate
#: (20·log10(2π·0.45·10⁻⁵)), and enough for the rounding of a delay computed in floating point.
_WHOLE_SAMPLE_TOLERANCE = 1e-5


@dataclass(frozen=True, kw_only=True)
class ChannelCorrection:
    """What is done to one channel."""

    invert: bool = False
    #: ≥ 0; later.
    delay_samples: float = 0.0

    @property
    def whole_samples(self) -> int:
        """Whole part of the delay; all of it when it is whole within the tolerance."""
        nearest = round(self.delay_samples)
        if abs(self.delay_samples - nearest) <= _WHOLE_SAMPLE_TOLERANCE:
            return nearest
        return floor(self.delay_samples)

    @property
    def fraction(self) -> float:
        """What the whole part leaves; 0 when samples are only moved."""
        fraction = self.delay_samples - self.whole_samples
        return fraction if fraction > _WHOLE_SAMPLE_TOLERANCE else 0.0

    @property
    def is_none(self) -> bool:
        """True when the channel stays as it is."""
        return not (self.invert or self.whole_samples or self.fraction)


@dataclass(kw_only=True)
class Corrector:
    """Renders the corrections of one file block by block.

    Parameters
    ----------
    read : callable
        Returns the next ``n`` samples of the source in order, ``(n, n_channels)``, integer or float.
    frames : int
        Samples per channel in the source.
    corrections : sequence of ChannelCorrection
        One per channel.
    bits : int, optional
        Depth of integer samples; None for floating point.
    seed : int
        Seed of the dither, so that the same file comes out again.
    """

    read: Callable[[int], NDArray[Any]]
    frames: int
    corrections: Sequence[ChannelCorrection]
    bits: int | None = None
    seed: int = 0
    #: Samples limited to full scale so far, per channel.
    limited: list[int] = field(init=False)

    def __post_init__(self) -> None:
        if any(correction.delay_samples < 0 for correction in self.corrections):
            raise ValueError("a delay moves the sound later and cannot be negative")
        self.limited = [0] * len(self.corrections)
        self._taps = [
            delay_filter(correction.fraction) if correction.fraction else None
            for correction in self.corrections
        ]
        self._random = np.random.default_rng(self.seed)
        #: What was read last, and the position of its first sample in the source.
        self._kept: NDArray[Any] | None = None
        self._kept_from = 0

    @property
    def output_frames(self) -> int:
        """Length of the result: the source's plus the largest delay, rounded up."""
        longest = max(item.whole_samples + ceil(item.fraction) for item in self.corrections)
        return self.frames + longest

    def render(self, start: int, stop: int) -> NDArray[Any]:
        """Return the result's samples ``[start, stop)``; to be called in order, without gaps.

        Parameters
        ----------
        start, stop : int
            Positions in the result.

        Returns
        -------
        ndarray, shape (stop - start, n_channels)
            Of the source's type.
        """
        reach = max(item.whole_samples for item in self.corrections) + HALF_TAPS
        source = self._source(start - reach, stop + HALF_TAPS)
        out = np.empty((stop - start, len(self.corrections)), source.dtype)
        for channel, correction in enumerate(self.corrections):
            first = reach - correction.whole_samples
            taps = self._taps[channel]
            if taps is None:
                moved = source[first : first + stop - start, channel]
                out[:, channel] = self._negated(moved, channel) if correction.invert else moved
            else:
                around = source[first - HALF_TAPS : first + stop - start + HALF_TAPS - 1, channel]
                out[:, channel] = self._between(around, -taps if correction.invert else taps, channel)
        return out

    def _source(self, first: int, last: int) -> NDArray[Any]:
        """Source samples ``[first, last)``, zeros outside; keeps what the next call needs again."""
        if self._kept is None:
            nothing = self.read(0)
            self._kept = np.zeros((-first, len(self.corrections)), nothing.dtype)
            self._kept_from = first
        kept_to = self._kept_from + len(self._kept)
        pieces = [self._kept[first - self._kept_from :]]
        fresh = min(last, self.frames) - kept_to
        if fresh > 0:
            pieces.append(self.read(fresh))
        padding = last - max(kept_to, min(last, self.frames))
        pieces.append(np.zeros((max(padding, 0), len(self.corrections)), self._kept.dtype))
        self._kept = np.concatenate(pieces)
        self._kept_from = first
        return self._kept

    def _negated(self, samples: NDArray[Any], channel: int) -> NDArray[Any]:
        """Negate; the lowest integer has no negative and becomes the highest."""
        if self.bits is None:
            return -samples
        lowest = samples == np.iinfo(np.int32).min
        self.limited[channel] += int(np.count_nonzero(lowest))
        highest = (2 ** (self.bits - 1) - 1) << (32 - self.bits)
        return np.where(lowest, np.int32(highest), -samples)

    def _between(self, samples: NDArray[Any], taps: Floats, channel: int) -> NDArray[Any]:
        """Interpolate; integers are dithered (triangular, two steps wide) and limited."""
        from scipy.signal import oaconvolve

        if self.bits is None:
            finite = np.nan_to_num(samples.astype(np.float64), nan=0.0, posinf=0.0, neginf=0.0)
            return np.asarray(oaconvolve(finite, taps, mode="valid"), samples.dtype)
        step = 2.0 ** (32 - self.bits)
        steps = oaconvolve(samples / step, taps, mode="valid")
        steps += self._random.random(steps.size) - self._random.random(steps.size)
        steps = np.rint(steps)
        top = 2.0 ** (self.bits - 1)
        self.limited[channel] += int(np.count_nonzero((steps > top - 1) | (steps < -top)))
        return np.asarray(np.clip(steps, -top, top - 1) * step, np.int32)
