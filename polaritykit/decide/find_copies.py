"""Tracks of one recording found: exact, late, filtered or turned-over copies of one another.

A copy carries its original's noise as well as its sound: once brought together the two are coherent at every
frequency that holds anything.  Two microphones never are: their own noise and the room part them.

Conventions: ``late_s`` positive where the copy is late.
"""

from collections.abc import Iterator
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
#: loudest is none in all of it.
_QUICK_SAMPLES, _QUICK_MEDIAN = 1 << 14, 0.9
#: Later windows that are kept while many pairs are looked at around one moment: some 60 MB.
_KEPT = 64
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
    quick = _Windows(recording, _QUICK_SAMPLES, np.float32)
    whole = _Windows(recording, _SAMPLES, np.float64)
    loud: dict[int, list[tuple[int, int]]] = {}
    for a, b in np.argwhere(together).tolist():
        at = int(np.argmax(activity_db[:, a] + activity_db[:, b])) * frame_samples
        loud.setdefault(at, []).append((a, b))

    def likely(at: int) -> list[tuple[tuple[int, int], Copy]]:
        """Tell the copies among the pairs that are looked at there."""
        near = [
            pair
            for pair, one in quick.compared(at, loud[at])
            if one is None or np.median(one.coherence) >= _QUICK_MEDIAN
        ]
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

    In single precision where they only tell what is nowhere near a copy.
    """

    def __init__(self, recording: Recording, n_samples: int, kind: type[np.floating[Any]]) -> None:
        self.kind = kind
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
        return _First(whole=rfft(samples, self.size), frames=_frames(samples))

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
        first = lru_cache(maxsize=1)(lambda track: self.first(track, at))
        second = lru_cache(maxsize=_KEPT)(lambda track: self.second(track, at))
        for a, b in pairs:
            yield (a, b), self._compared(a, b, first(a), second(b))

    def _compared(self, a: int, b: int, one: _First, two: _Second) -> "_Compared | None":
        within, n = self.within, self.n
        lag, sign = _lag(one.whole, two.whole, within, self.size)
        aligned = two.samples[within + lag : within + lag + n].astype(self.kind)
        cross, power_a, power_b = _spectra(one.frames, _frames(aligned))
        top = 10.0 ** (-_RANGE_DB / 10.0)
        frequency = np.arange(len(cross)) * self.rate / _FRAME
        held = (power_a >= top * power_a.max()) & (power_b >= top * power_b.max()) & (frequency > 60.0)
        if held.sum() < _FRAME // 64:
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


def _lag(one: Complexes, two: Complexes, within: int, size: int) -> tuple[int, float]:
    """Whole samples by which the second is late, and its sign, by the peak of the phase transform."""
    from scipy.fft import irfft

    cross = np.conj(one) * two
    level = np.abs(cross)
    curve = irfft(cross / np.maximum(level, 1e-6 * level.max() + 1e-30), size)[: 2 * within + 1]
    peak = int(np.argmax(np.abs(curve)))
    return peak - within, float(np.sign(curve[peak])) or 1.0


def _frames(samples: Floats) -> Complexes:
    """Spectra of Hann frames, half overlapped, (n_frames, n_bins)."""
    from scipy.fft import rfft

    whole = max(_FRAME, len(samples) - len(samples) % _FRAME)
    short = max(0, _FRAME - len(samples))
    padded = np.pad(samples[:whole], (0, short)) if short else samples[:whole]
    taken = np.lib.stride_tricks.sliding_window_view(padded, _FRAME)[:: _FRAME // 2]
    return np.asarray(rfft(taken * periodic_hann(_FRAME).astype(samples.dtype), axis=1))


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
