"""Blocks to onsets of every track, merged into events.

An *event* is one moment at which at least one track has a strong, sudden onset (a drum hit, a plucked
note).

Conventions
-----------
frames
    1 ms long, one every quarter; an onset's frame is the first whose rise over the sound just before is
    large enough.  Frames one after the other would rise by more or less with where a stroke falls among them,
    and a track recorded half a millisecond later would have other onsets.
"""

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Samples, read_only

#: Frame of the onset envelope: short against a drum's attack, long against 1/500 Hz.
FRAME_MS = 1.0
#: Hops to a frame: the energy of a frame then changes little from one to the next.
_HOPS = 4
_HOP_MS = FRAME_MS / _HOPS
#: The sound "just before" an onset: this far back ...
BEFORE_MS = 25.0
#: ... until here, so that a slow attack does not hide itself.
GAP_MS = 3.0
#: An onset's energy rises at least so many times over the sound just before (12 dB).
MIN_RISE = 10.0**1.2
#: Half of a track's onsets nearer to one another than this are no strokes (a buzz roll has some thirty a
#: second) but the pulses of a steady sound: the mains, a low note.
_STEADY_MS = 25.0
#: A strong onset is within this range of the track's own loudest onsets.
STRONG_RANGE_DB = 12.0
#: Onsets of different tracks within this time are one event (5 m of path).
MERGE_MS = 15.0
#: Events are dropped when another begins within this time: two sources would be mixed.
_CLEAR_MS = 20.0
#: A rise counts at its highest within so long.
RISING_MS = 5.0
_RISING = round(RISING_MS / _HOP_MS)
#: A drum's energy lies within this time of its onset.
_RING_MS = 100.0

TINY = 1e-20


@dataclass(frozen=True, kw_only=True, slots=True)
class Onset:
    """A sudden rise on one track; of a long take there are some hundred thousand."""

    track: int
    #: First sample of the frame.
    sample: int
    #: Level of the frames after the onset (low end removed), dB.
    level_db: float
    #: Rise over the sound just before, dB.
    rise_db: float


@dataclass(frozen=True, kw_only=True)
class Event:
    """One moment at which something began to sound."""

    #: Sample at the start of the earliest strong onset's frame.
    sample: int
    #: Start of each track's own onset frame; ``sample`` where the track has none; shape (n_tracks,).
    onset_samples: NDArray[np.int64]
    #: Rise per track over the sound just before, dB (0 where the track has no onset), shape (n_tracks,).
    rise_db: Floats


class OnsetDetector:
    """Finds the onsets of all tracks from consecutive blocks.

    The energy of a 1 ms frame is taken about its own straight line (mean and slope removed): a
    high-pass near 500 Hz that costs one small matrix product, so that the slow swing of a low drum
    does not hide the stick.
    """

    def __init__(self, n_tracks: int, sample_rate_hz: int) -> None:
        self._hop = onset_frame_samples(sample_rate_hz) // _HOPS
        self._before = round(BEFORE_MS / _HOP_MS)
        self._gap = round(GAP_MS / _HOP_MS)
        self._rest: Samples = np.zeros((n_tracks, 0), dtype=np.float32)
        self._energy: Samples = np.zeros((n_tracks, 0), dtype=np.float32)
        self._first_frame = 0
        self._onsets: list[Onset] = []
        self._free_from = [0] * n_tracks
        self._ring_until = [0] * n_tracks
        self._total = np.zeros(n_tracks)
        self._after_onsets = np.zeros(n_tracks)
        # Sum and slope of one hop; those of a frame follow from its hops'.
        ramp = np.arange(self._hop) - (self._hop - 1) / 2
        self._basis = np.stack([np.ones(self._hop), ramp], axis=1).astype(np.float32)

    def update(self, block: Samples) -> None:
        """Take the next block, shape (n_tracks, n)."""
        n_samples = self._rest.shape[1] + block.shape[1]
        n_frames = max(0, n_samples // self._hop - (_HOPS - 1))
        energy = np.empty((len(block), n_frames), dtype=np.float32)
        rest = np.empty((len(block), n_samples - n_frames * self._hop), dtype=np.float32)
        for track, row in enumerate(block):  # what one track takes stays in the cache
            samples = np.concatenate([self._rest[track], row])
            rest[track] = samples[n_frames * self._hop :]
            if n_frames:
                self._measure(samples, energy[track])
        self._rest, self._energy = rest, np.concatenate([self._energy, energy], axis=1)
        self._search(final=False)

    def jump(self, start: int) -> None:
        """Go on at a later sample, a whole number of frames from the first; nothing is heard in between."""
        self._search(final=True)
        self._rest, self._energy = self._rest[:, :0], self._energy[:, :0]
        self._first_frame = start // self._hop

    def _measure(self, samples: NDArray[np.float32], energy: NDArray[np.float32]) -> None:
        """Mean square of each frame of a track about its own straight line."""
        n_frames = len(energy)
        n_hops = n_frames + _HOPS - 1
        hops = samples[: n_hops * self._hop].reshape(n_hops, self._hop)
        squares = np.square(hops) @ self._basis[:, 0]
        sums, slopes = np.ascontiguousarray((hops @ self._basis).T)
        length = _HOPS * self._hop
        parts = [slice(k, k + n_frames) for k in range(_HOPS)]
        mean = _added([sums[part] for part in parts])
        # About the frame's middle: a hop's own slope, and its sum times where its middle lies.
        shifts = np.float32(self._hop) * (np.arange(_HOPS, dtype=np.float32) - np.float32((_HOPS - 1) / 2))
        slope = _added([slopes[p] + at * sums[p] for p, at in zip(parts, shifts, strict=True)])
        energy[:] = _added([squares[part] for part in parts])
        mean *= mean
        energy -= np.divide(mean, length, out=mean)
        slope *= slope
        energy -= np.divide(slope, length * (length**2 - 1) / 12, out=slope)
        energy /= np.float32(length)
        np.maximum(energy, np.float32(TINY), out=energy)

    def onsets(self) -> list[Onset]:
        """All onsets so far, the end of the take included."""
        self._search(final=True)
        steady = self._steady()
        return [onset for onset in self._onsets if not steady[onset.track]]

    def percussive_share(self) -> Floats:
        """Share of each track's energy that lies just after its own onsets, shape (n_tracks,)."""
        share = self._after_onsets / np.maximum(self._total, TINY)
        return np.where(self._steady(), 0.0, share)

    def _steady(self) -> NDArray[np.bool_]:
        """Tracks whose onsets follow one another faster than anybody strikes, shape (n_tracks,)."""
        at = np.array([onset.sample for onset in self._onsets])
        track = np.array([onset.track for onset in self._onsets])
        apart = [np.diff(at[track == number]) for number in range(len(self._total))]
        shortest = _STEADY_MS / _HOP_MS * self._hop
        return np.array([len(gaps) > 0 and float(np.median(gaps)) < shortest for gaps in apart])

    def _search(self, *, final: bool) -> None:
        """Find onsets in the frames whose surroundings are complete; keep what the next call needs."""
        lead = self._before + self._gap
        tail = round(MERGE_MS / _HOP_MS)
        n_frames = self._energy.shape[1]
        last = n_frames - (1 if final else tail)
        if last <= lead:
            return
        for track in range(len(self._energy)):
            self._collect(track, lead, last)
        keep = last - lead
        self._energy = self._energy[:, keep:].copy()
        self._first_frame += keep

    def _collect(self, track: int, lead: int, last: int) -> None:
        """Keep the first frame of each rise of a track that is high enough, of frames [lead, last)."""
        energy = self._energy[track]
        sums = np.zeros(len(energy) + 1)
        np.cumsum(energy, dtype=np.float64, out=sums[1:])
        self._total[track] += sums[last] - sums[lead]
        stop, count = len(energy), self._before - self._gap
        # Of each frame from `lead` on: the energy of the sound just before, so many frames together.
        before = sums[lead - self._gap : stop - self._gap] - sums[lead - self._before : stop - self._before]
        high = energy[lead:last] >= np.maximum(before[: last - lead] * (MIN_RISE / count), MIN_RISE * TINY)
        tail, first = round(MERGE_MS / _HOP_MS), self._first_frame + lead
        found = _first_of_each(np.flatnonzero(high).tolist(), self._free_from[track] - first, tail)
        self._add_ringing(track, found, sums[lead : last + 1], first)
        if not found:
            return
        self._free_from[track] = first + found[-1] + tail
        places = np.minimum(np.add.outer(found, np.arange(tail)), len(before) - 1)
        after = energy[lead:][places]
        rises = after[:, :_RISING] / np.maximum(before[places[:, :_RISING]] / count, TINY)
        levels_db, rises_db = (10 * np.log10(powers.max(axis=1)) for powers in (after, rises))
        self._onsets += [
            Onset(track=track, sample=(first + index) * self._hop, level_db=level_db, rise_db=rise_db)
            for index, level_db, rise_db in zip(found, levels_db.tolist(), rises_db.tolist(), strict=True)
        ]

    def _add_ringing(self, track: int, found: list[int], sums: Floats, first: int) -> None:
        """Add up the energy of frames that lie just after an onset.

        ``found`` counts from frame `first` on; ``sums`` are of the frames before each, from `first` to the
        one after the last.
        """
        ring = round(_RING_MS / _HOP_MS)
        starts = np.array([0, *found])
        until = np.array([self._ring_until[track] - first, *(frame + ring for frame in found)])
        stops = np.maximum(np.minimum(until, [*found, len(sums) - 1]), starts)
        self._after_onsets[track] += float((sums[stops] - sums[starts]).sum())
        self._ring_until[track] = first + int(until[-1])


def _first_of_each(high: list[int], free_from: int, tail: int) -> list[int]:
    """Take the first of some places in order, and then the first of those that lie so far behind it."""
    found: list[int] = []
    at = bisect_left(high, free_from)
    while at < len(high):
        found.append(high[at])
        at = bisect_left(high, found[-1] + tail, at)
    return found


def _added(parts: list[Samples]) -> Samples:
    """Sum, one after the other: no stack of them all is made."""
    total = parts[0].copy()
    for part in parts[1:]:
        total += part
    return total


def onset_frame_samples(sample_rate_hz: int) -> int:
    """Length of the frames of the onset envelope."""
    return _HOPS * max(2, round(sample_rate_hz * _HOP_MS * 1e-3))


def merge_onsets(onsets: list[Onset], n_tracks: int, sample_rate_hz: int) -> list[Event]:
    """Merge the strong onsets of all tracks into events.

    Parameters
    ----------
    onsets : list of Onset
        Of all tracks, in any order.
    n_tracks, sample_rate_hz : int
        Of the recording.

    Returns
    -------
    list of Event
        In time order; events with another event closer than ``clear_ms`` are left out.
    """
    strong: list[Onset] = []
    for track in range(n_tracks):
        own = [onset for onset in onsets if onset.track == track]
        if own:
            levels = np.sort([onset.level_db for onset in own])[::-1]
            top = float(np.mean(levels[: max(5, len(own) // 100)]))
            strong += [onset for onset in own if onset.level_db >= top - STRONG_RANGE_DB]
    strong.sort(key=lambda onset: onset.sample)
    merge = MERGE_MS * 1e-3 * sample_rate_hz
    groups: list[list[Onset]] = []
    for onset in strong:
        if groups and onset.sample - groups[-1][0].sample <= merge:
            groups[-1].append(onset)
        else:
            groups.append([onset])
    starts = np.array([group[0].sample for group in groups], dtype=float)
    gaps = np.diff(starts, prepend=-np.inf, append=np.inf)
    clear = _CLEAR_MS * 1e-3 * sample_rate_hz
    return [
        _event(group, n_tracks)
        for group, before, after in zip(groups, gaps[:-1], gaps[1:], strict=True)
        if min(before, after) > clear
    ]


def _event(group: list[Onset], n_tracks: int) -> Event:
    rise = np.zeros(n_tracks)
    samples = np.full(n_tracks, group[0].sample, dtype=np.int64)
    for onset in reversed(group):
        rise[onset.track] = max(rise[onset.track], onset.rise_db)
        samples[onset.track] = onset.sample
    return Event(sample=group[0].sample, onset_samples=samples, rise_db=read_only(rise))


def spread(items: int, most: int) -> NDArray[np.int64]:
    """Return indices of at most ``most`` of ``items`` things, spread evenly over them."""
    return (
        np.unique(np.linspace(0, items - 1, min(items, most)).round().astype(np.int64))
        if items
        else np.zeros(0, np.int64)
    )
