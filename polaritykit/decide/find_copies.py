"""Tracks of one recording found: exact, late, filtered or turned-over copies of one another.

A copy carries its original's noise as well as its sound: once brought together the two are coherent at every
frequency that holds anything.  Two microphones never are: their own noise and the room part them.

Conventions: ``late_s`` positive where the copy is late.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hann import periodic_hann
from polaritykit.base.processes import in_processes
from polaritykit.base.types import Complexes, Floats, Recording, Samples
from polaritykit.decide.scene import Copy

#: Copies are looked for up to this late or early: a printed slap echo, not a loop of the same bar.
WITHIN_S = 0.1
#: Sound compared, at the loudest moment of one of the two, and the frames its coherence is taken over.
_SAMPLES, _FRAME = 1 << 16, 1 << 11
#: Most pairs are told apart in a quarter of it, about the same moment: what is nowhere near a copy in what is
#: loudest is none in all of it.  What is left is told apart in all of it.  Both in every fourth bin and in
#: single precision; of a copy as many of those are coherent as of all, and four times the noise is let pass.
_QUICK_SAMPLES, _QUICK_MEDIAN, _LONGER_MEDIAN, _EVERY = 1 << 14, 0.9, 0.98, 4
#: Later windows that are kept while many pairs are looked at around one moment: some 60 MB; and pairs
#: looked at together, for transforms of several rows take half as long.
_KEPT, _AT_ONCE = 64, 8
#: Copies rise and fall together, give or take a frame.
_ALIKE_OVER_TIME = 0.6
#: Magnitude-squared coherence of a copy: nowhere less than the first, in nearly all bins above the second (an
#: independent noise 20 dB down in either leaves 0.98).
_MEDIAN, _TENTH = 0.995, 0.95
#: Bins within this of each track's strongest one hold anything.
_RANGE_DB = 50.0
#: Spread of a copy's gain over frequency that tells a filter, dB.
_FILTERED_DB = 1.0
#: Less than this part of a sample is none.
_ROUNDING = 0.01


def find_copies(
    recording: Recording,
    activity_db: Floats,
    usable: NDArray[np.bool_],
    *,
    anchor: int | None = None,
    frame_samples: int,
) -> tuple[Copy, ...]:
    """Find the tracks that are copies of another track.

    Parameters
    ----------
    recording : Recording
        Read at loud moments.
    activity_db : ndarray, shape (n_frames, n_tracks)
        −inf where nobody listened.
        Level of each track in consecutive frames.
    usable : ndarray of bool
        Tracks that are not silent.
    anchor : int, optional
        Of a copy and its original the anchor is the original, else the one that sounds first.
    frame_samples : int
        Length of the frames of `activity_db`.

    Returns
    -------
    tuple of Copy
        One per copy; its original is none.
    """
    found: dict[int, Copy] = {}
    if len(activity_db) < 2:
        return ()
    steady = activity_db[np.isfinite(activity_db).all(axis=1)]
    steady = steady - steady.mean(axis=0)
    size = np.sqrt(np.sum(steady**2, axis=0))
    alike = np.max([steady.T @ np.roll(steady, k, axis=0) for k in (-1, 0, 1)], axis=0)
    together = np.triu((alike >= _ALIKE_OVER_TIME * np.outer(size, size)) & np.outer(usable, usable), 1)
    looks = [
        (_Windows(recording, n_samples, np.float32, _EVERY), median)
        for n_samples, median in ((_QUICK_SAMPLES, _QUICK_MEDIAN), (_SAMPLES, _LONGER_MEDIAN))
    ]
    whole = _Windows(recording, _SAMPLES, np.float64)
    loud: dict[int, list[tuple[int, int]]] = {}
    for a, b in np.argwhere(together).tolist():
        at = int(np.argmax(activity_db[:, a] + activity_db[:, b])) * frame_samples
        loud.setdefault(at, []).append((a, b))

    def likely(at: int) -> list[tuple[tuple[int, int], Copy]]:
        """Tell the copies among the pairs that are looked at there."""
        near = loud[at]
        for windows, median in looks:
            compared = windows.compared(at, near)
            near = [pair for pair, one in compared if one is None or np.median(one.coherence) >= median]
        told = ((pair, one.copy()) for pair, one in whole.compared(at, near) if one is not None)
        return [(pair, copy) for pair, copy in told if copy is not None]

    told = (one for some in in_processes(likely, loud) for one in some)
    for (a, b), copy in sorted(told, key=lambda one: one[0]):
        if a not in found and b not in found:
            turned = anchor == b or (anchor != a and copy.late_s < 0.0)
            said = _turned(copy) if turned else copy
            found[said.track] = said
    return tuple(copy for copy in found.values() if copy.original not in found)


def _turned(copy: Copy) -> Copy:
    """Tell the same of the other track."""
    return Copy(
        track=copy.original,
        original=copy.track,
        late_s=-copy.late_s,
        inverted=copy.inverted,
        filtered=copy.filtered,
    )


@dataclass(frozen=True, kw_only=True)
class _First:
    """The earlier window of a comparison: its transform, and those of its frames."""

    whole: Complexes
    frames: Complexes


@dataclass(frozen=True, kw_only=True)
class _Second:
    """The later window, longer by what a copy may be early and late, and its transform."""

    samples: Samples
    whole: Complexes


class _Windows:
    """Windows around loud moments.

    In single precision and some bins where they only tell what is nowhere near a copy.
    """

    def __init__(
        self, recording: Recording, n_samples: int, kind: type[np.floating[Any]], every: int = 1
    ) -> None:
        self.kind, self.every = kind, every
        self.rate = recording.sample_rate_hz
        self.within = round(WITHIN_S * self.rate)
        self.n = min(n_samples, recording.n_samples)
        self._recording = recording

    @cached_property
    def size(self) -> int:
        """Of a transform: no lag goes round its end, for the second holds what the first can be late by."""
        from scipy.fft import next_fast_len

        return int(next_fast_len(self.n + 2 * self.within, real=True))

    def _start(self, at: int) -> int:
        """First sample of the window around a moment."""
        return int(np.clip(at - self.n // 4, 0, max(0, self._recording.n_samples - self.n)))

    def first(self, track: int, at: int) -> _First:
        """Read a track's window as the earlier one."""
        from scipy.fft import rfft

        start = self._start(at)
        samples = self._recording.read(start, start + self.n, (track,))[0].astype(self.kind)
        return _First(whole=rfft(samples, self.size), frames=_frames(samples, self.every))

    def second(self, track: int, at: int) -> _Second:
        """Read a track's window as the later one."""
        from scipy.fft import rfft

        start = self._start(at)
        found = self._recording.read(start - self.within, start + self.n + self.within, (track,))[0]
        return _Second(samples=found, whole=rfft(found.astype(self.kind), self.size))

    def compared(
        self, at: int, pairs: list[tuple[int, int]]
    ) -> Iterator[tuple[tuple[int, int], "_Compared | None"]]:
        """Hold pairs against one another around one moment; None where too little sounds in both."""
        first = lru_cache(maxsize=_AT_ONCE)(lambda track: self.first(track, at))
        second = lru_cache(maxsize=_KEPT)(lambda track: self.second(track, at))
        for begin in range(0, len(pairs), _AT_ONCE):
            some = [(a, b, first(a), second(b)) for a, b in pairs[begin : begin + _AT_ONCE]]
            lags = _lags([(one.whole, two.whole) for _, _, one, two in some], self.within, self.size)
            for (a, b, one, two), (lag, sign) in zip(some, lags, strict=True):
                yield (a, b), self._compared(a, b, one, two, lag=lag, sign=sign)

    def _compared(
        self, a: int, b: int, one: _First, two: _Second, *, lag: int, sign: float
    ) -> "_Compared | None":
        within, n, every = self.within, self.n, self.every
        aligned = two.samples[within + lag : within + lag + n].astype(self.kind)
        cross, power_a, power_b = _spectra(one.frames, _frames(aligned, every))
        top = 10.0 ** (-_RANGE_DB / 10.0)
        frequency = np.arange(len(cross)) * every * self.rate / _FRAME
        held = (power_a >= top * power_a.max()) & (power_b >= top * power_b.max()) & (frequency > 60.0)
        if held.sum() < _FRAME // 64 // every:
            return None
        return _Compared(
            a=a,
            b=b,
            rate=self.rate,
            lag=lag,
            sign=sign,
            cross=cross[held],
            power_a=power_a[held],
            power_b=power_b[held],
            frequency_hz=frequency[held],
        )


@dataclass(frozen=True, kw_only=True)
class _Compared:
    """Two tracks held against one another around one moment, the second brought to the first."""

    a: int
    b: int
    rate: int
    #: Whole samples by which the second is late, and its sign.
    lag: int
    sign: float
    #: In bins in which both hold anything.
    cross: Complexes
    power_a: Floats
    power_b: Floats
    frequency_hz: Floats

    @cached_property
    def coherence(self) -> Floats:
        """Magnitude-squared coherence of each bin."""
        return np.asarray(np.abs(self.cross) ** 2 / (self.power_a * self.power_b))

    def copy(self) -> Copy | None:
        """Tell the second as a copy of the first, if it is one."""
        if np.median(self.coherence) < _MEDIAN or np.percentile(self.coherence, 10.0) < _TENTH:
            return None
        gain_db = 10.0 * np.log10(self.power_b / self.power_a)
        low, high = np.percentile(gain_db, [5.0, 95.0])
        filtered = bool(high - low > _FILTERED_DB)
        more = 0.0 if filtered else _fraction(self.sign * self.cross, self.frequency_hz / self.rate)
        late = self.lag + more if abs(self.lag + more) >= _ROUNDING else 0.0
        return Copy(
            track=self.b,
            original=self.a,
            late_s=late / self.rate,
            inverted=bool(self.sign < 0),
            filtered=filtered,
        )


def _lags(pairs: Sequence[tuple[Complexes, Complexes]], within: int, size: int) -> list[tuple[int, float]]:
    """Whole samples by which each second is late, and its sign, by the peak of the phase transform."""
    from scipy.fft import irfft

    cross = np.stack([_whitened(one, two) for one, two in pairs])
    curves = irfft(cross, size, axis=1)[:, : 2 * within + 1]
    peaks = np.argmax(np.abs(curves), axis=1)
    heights = curves[np.arange(len(curves)), peaks]
    return [
        (int(peak) - within, float(np.sign(height)) or 1.0)
        for peak, height in zip(peaks, heights, strict=True)
    ]


def _whitened(one: Complexes, two: Complexes) -> Complexes:
    """Phases of the cross-spectrum; what is far down counts less."""
    cross = np.conj(one) * two
    level = np.abs(cross)
    cross *= 1.0 / np.maximum(level, 1e-6 * level.max() + 1e-30)
    return cross


def _frames(samples: Floats, every: int) -> Complexes:
    """Spectra of Hann frames, half overlapped, in some bins, (n_frames, n_bins)."""
    from scipy.fft import rfft

    whole = max(_FRAME, len(samples) - len(samples) % _FRAME)
    short = max(0, _FRAME - len(samples))
    padded = np.pad(samples[:whole], (0, short)) if short else samples[:whole]
    taken = np.lib.stride_tricks.sliding_window_view(padded, _FRAME)[:: _FRAME // 2]
    windowed = taken * periodic_hann(_FRAME).astype(samples.dtype)
    # A frame folded upon itself keeps the bins that repeat so often in it.
    return np.asarray(rfft(windowed.reshape(len(taken), every, -1).sum(axis=1), axis=1))


def _spectra(first: Complexes, second: Complexes) -> tuple[Complexes, Floats, Floats]:
    """Cross- and power spectra over all frames."""
    cross = np.asarray(np.sum(np.conj(first) * second, axis=0), np.complex128)
    one, two = (np.square(np.abs(frames)).sum(axis=0, dtype=np.float64) for frames in (first, second))
    return cross, one, two


def _fraction(cross: Complexes, turns: Floats) -> float:
    """Part of a sample that is left: the slope of the phase, weighted by its size (least squares)."""
    near = turns <= 0.25
    weight = np.abs(cross[near]) * turns[near]
    total = float(np.sum(weight * turns[near]))
    return -float(np.sum(weight * np.angle(cross[near]))) / (2.0 * np.pi * total) if total > 0.0 else 0.0
