"""Frames in runs spread over a take: their whitened spectra, of some tracks at a time.

Conventions: as in `polaritykit.sustained.whole_take`.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.cores import on_cores
from polaritykit.base.types import Complexes, Floats, Recording
from polaritykit.sustained.activity import frame_samples
from polaritykit.sustained.frames import spectra_of

#: Half-overlapping frames in one run, and runs: a minute of audio, enough to find what stands 20 dB under
#: the rest.
_RUN_FRAMES = 32
_RUNS = 12
#: Frames this far apart hold no sound in common: half a second, several times the search.
APART = 6
#: Offsets are looked for a quarter further than in single frames (50 ms for 40): the whole take tells more.
_SEARCH_RATIO = 1.25
_LOWEST_HZ, _HIGHEST_HZ = 60.0, 12_000.0

#: Lags to a sample at which correlations are looked at.
FINE = 2

Pairs = list[tuple[int, int]]


@dataclass(frozen=True, kw_only=True)
class TakePlan:
    """Which frames of a take are read, and which of their bins."""

    size: int
    #: First sample of each run.
    starts: tuple[int, ...]
    #: Frames in one run, half overlapped.
    run: int
    #: First bin, and the one after the last.
    low: int
    high: int
    sample_rate_hz: int
    search_s: float

    @property
    def frequency_hz(self) -> Floats:
        """Of each bin."""
        return np.asarray(np.arange(self.low, self.high) * self.sample_rate_hz / self.size)

    @property
    def reach(self) -> int:
        """Largest lag looked for, in samples of a grid `FINE` times as fine as the recording's."""
        return round(self.search_s * self.sample_rate_hz) * FINE

    @property
    def bytes_of_track(self) -> int:
        """What the spectra of one track take."""
        return 8 * len(self.starts) * self.run * (self.high - self.low)

    def frames(self, recording: Recording, tracks: tuple[int, ...]) -> NDArray[np.complex64]:
        """Return the spectra of some tracks, (n_frames, n_tracks, n_bins)."""
        hop, shape = self.size // 2, (len(tracks), self.high - self.low)
        found = np.empty((len(self.starts), self.run, *shape), np.complex64)

        def read(number: int) -> None:
            start = self.starts[number]
            audio = recording.read(start, start + (self.run - 1) * hop + self.size, tracks)
            frames = np.lib.stride_tricks.sliding_window_view(audio, self.size, axis=1)[:, ::hop]
            for k in range(self.run):
                found[number, k] = spectra_of(frames[:, k], self.size)[:, self.low : self.high]

        for _ in on_cores(read, range(len(self.starts))):
            pass
        return found.reshape(-1, *shape)


@dataclass(frozen=True, kw_only=True)
class TakeFrames:
    """Whitened spectra of frames in runs over a take, and the mean powers."""

    #: Tracks that were read, in session order.
    tracks: tuple[int, ...]
    #: Shape (n_frames, n_tracks_read, n_bins).
    spectra: Complexes | NDArray[np.complex64]
    power: Floats | NDArray[np.float32]
    plan: TakePlan

    def spectra_of(self, track: int) -> Complexes:
        """Of one of the tracks that were read, shape (n_frames, n_bins)."""
        return np.asarray(self.spectra[:, self.tracks.index(track)])

    def power_of(self, track: int) -> Floats:
        """Mean power of one of the tracks that were read, shape (n_bins,)."""
        return np.asarray(self.power[self.tracks.index(track)])


def plan_take(recording: Recording, search_ms: float) -> TakePlan | None:
    """Spread runs of frames over a take; None where there are too few to tell anything.

    Parameters
    ----------
    recording : Recording
    search_ms : float
        Largest offset looked for in single frames; the whole take can tell one a little larger.

    Returns
    -------
    TakePlan or None
    """
    rate, n = recording.sample_rate_hz, recording.n_samples
    size = frame_samples(n, rate)
    hop = size // 2
    fit = (n - size) // hop + 1
    if fit < 2 * APART:
        return None
    run = min(fit, _RUN_FRAMES)
    runs = min(_RUNS, fit // run)
    starts = np.linspace(0, fit - run, runs).round().astype(int) * hop
    low, high = (round(f * size / rate) for f in (_LOWEST_HZ, min(_HIGHEST_HZ, 0.45 * rate)))
    return TakePlan(
        size=size,
        starts=tuple(starts.tolist()),
        run=run,
        low=low,
        high=high,
        sample_rate_hz=rate,
        search_s=min(_SEARCH_RATIO * search_ms * 1e-3, 0.3 * size / rate),
    )


def whiten(spectra: Complexes | NDArray[np.complex64], power: Floats | NDArray[np.float32]) -> None:
    """Divide spectra (n_frames, n_bins) by the root of the mean powers, in place; loud frames by more."""
    spectra /= np.sqrt(np.maximum(power, 1e-30)).astype(np.float32)
    # A loud frame has no more to say than others: what is common would else be its own few notes.
    loud = np.sqrt(np.mean(np.abs(spectra) ** 2, axis=-1, keepdims=True))
    spectra /= np.maximum(loud, 1.0)


def read_take(recording: Recording, plan: TakePlan, tracks: tuple[int, ...]) -> TakeFrames:
    """Read the frames of some tracks.

    Parameters
    ----------
    recording : Recording
    plan : TakePlan
    tracks : tuple of int
        In session order.

    Returns
    -------
    TakeFrames
    """
    found = plan.frames(recording, tracks)
    power = np.zeros(found.shape[1:], np.float32)

    def whitened(own: int) -> None:
        # Run by run: what is worked out of one stays in the cache.
        runs = [found[first : first + plan.run, own] for first in range(0, len(found), plan.run)]
        for frames in runs:
            for one in np.abs(frames) ** 2:
                power[own] += one
        power[own] /= np.float32(len(found))
        for frames in runs:
            whiten(frames, power[own])

    for _ in on_cores(whitened, range(len(tracks))):
        pass
    return TakeFrames(
        tracks=tracks,
        spectra=found,
        power=power,
        plan=plan,
    )


def by_groups(pairs: Sequence[tuple[int, int]], most: int) -> Iterator[tuple[tuple[int, ...], Pairs]]:
    """Take the pairs of some tracks at a time, so that not all need be held, and each is read seldom.

    A group begins with the track that has most pairs left, and takes in whichever has most with the group.

    Parameters
    ----------
    pairs : sequence of (int, int)
    most : int
        Tracks of a group, two or more.

    Yields
    ------
    tuple
        Tracks in session order, and pairs of them; all pairs once.
    """
    place = {track: k for k, track in enumerate(sorted({track for pair in pairs for track in pair}))}
    left = np.zeros((len(place), len(place)), np.int64)
    for a, b in pairs:
        left[place[a], place[b]] = left[place[b], place[a]] = 1
    while left.any():
        inside = np.zeros(len(place), np.bool_)
        while np.count_nonzero(inside) < most:
            with_all, with_group = left.sum(axis=0), left[inside].sum(axis=0)
            gain = np.where(inside, -1, len(place) * with_group + with_all)
            if gain.max() <= 0:
                break
            inside[np.argmax(gain)] = True
        part = [
            (a, b) for a, b in pairs if inside[place[a]] and inside[place[b]] and left[place[a], place[b]]
        ]
        yield tuple(sorted({track for pair in part for track in pair})), part
        left[np.ix_(inside, inside)] = 0
