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
from numpy.typing import ArrayLike, NDArray

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

#: Frames of a track searched together (7.5 s): enough to keep Python out of the way.
_SEARCHED_TOGETHER = 30_000

TINY = 1e-20


#: A sudden rise on one track.  Of a long take there are some hundred thousand, so they are rows of one array.
_ONSET = np.dtype(
    [
        ("track", np.int32),
        # First sample of the frame.
        ("sample", np.int64),
        # Level of the frames after the onset (low end removed), dB.
        ("level_db", np.float64),
        # Rise over the sound just before, dB.
        ("rise_db", np.float64),
    ]
)
#: Onsets in any order, shape (n_onsets,), with fields ``track``, ``sample``, ``level_db`` and ``rise_db``.
Onsets = NDArray[np.void]


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
        self._energy = [np.zeros(0, dtype=np.float32)] * n_tracks
        self._first_frame = 0
        self._onsets: list[Onsets] = [made_onsets(0, [], [], [])]
        self._free_from = [0] * n_tracks
        self._ring_until = [0] * n_tracks
        self._total = np.zeros(n_tracks)
        self._after_onsets = np.zeros(n_tracks)
        # Sum and slope of one hop; those of a frame follow from its hops'.
        ramp = np.arange(self._hop) - (self._hop - 1) / 2
        self._basis = np.stack([np.ones(self._hop), ramp], axis=1).astype(np.float32)
        #: Samples of one track and their squares; made once, for new memory costs time.
        self._work: Samples = np.zeros((2, 0), dtype=np.float32)

    def update(self, block: Samples) -> None:
        """Take the next block, shape (n_tracks, n)."""
        n_samples = self._rest.shape[1] + block.shape[1]
        n_frames = max(0, n_samples // self._hop - (_HOPS - 1))
        if self._work.shape[1] < n_samples:
            self._work = np.empty((2, n_samples), dtype=np.float32)
        samples, used = self._work[0, :n_samples], n_frames * self._hop
        rest = np.empty((len(block), n_samples - used), dtype=np.float32)
        for track, row in enumerate(block):  # what one track takes stays in the cache
            np.concatenate([self._rest[track], row], out=samples)
            rest[track] = samples[used:]
            if n_frames:
                self._energy[track] = np.concatenate([self._energy[track], self._measured(n_frames)])
        self._rest = rest
        if len(self._energy[0]) >= _SEARCHED_TOGETHER:
            self._search(final=False)

    def jump(self, start: int) -> None:
        """Go on at a later sample, a whole number of frames from the first; nothing is heard in between."""
        self._search(final=True)
        self._rest, self._energy = self._rest[:, :0], [energy[:0] for energy in self._energy]
        self._first_frame = start // self._hop

    def _measured(self, n_frames: int) -> NDArray[np.float32]:
        """Mean square about its own straight line of each frame of the track at work, shape (n_frames,)."""
        n_hops = n_frames + _HOPS - 1
        samples, work = self._work[:, : n_hops * self._hop]
        squares = np.square(samples, out=work).reshape(n_hops, self._hop) @ self._basis[:, 0]
        sums, slopes = np.ascontiguousarray((samples.reshape(n_hops, self._hop) @ self._basis).T)
        length = _HOPS * self._hop
        parts = [slice(k, k + n_frames) for k in range(_HOPS)]
        mean = _added([sums[part] for part in parts])
        # About the frame's middle: a hop's own slope, and its sum times where its middle lies.
        shifts = np.float32(self._hop) * (np.arange(_HOPS, dtype=np.float32) - np.float32((_HOPS - 1) / 2))
        slope = _added([slopes[p] + at * sums[p] for p, at in zip(parts, shifts, strict=True)])
        energy = _added([squares[part] for part in parts])
        mean *= mean
        energy -= np.divide(mean, length, out=mean)
        slope *= slope
        energy -= np.divide(slope, length * (length**2 - 1) / 12, out=slope)
        energy /= np.float32(length)
        return np.maximum(energy, np.float32(TINY), out=energy)

    def onsets(self) -> Onsets:
        """All onsets so far, the end of the take included."""
        self._search(final=True)
        found = self._all()
        return np.asarray(found[~self._steady()[found["track"]]])

    def percussive_share(self) -> Floats:
        """Share of each track's energy that lies just after its own onsets, shape (n_tracks,)."""
        share = self._after_onsets / np.maximum(self._total, TINY)
        return np.where(self._steady(), 0.0, share)

    def _steady(self) -> NDArray[np.bool_]:
        """Tracks whose onsets follow one another faster than anybody strikes, shape (n_tracks,)."""
        found = self._all()
        apart = [np.diff(samples_of(found, track)) for track in range(len(self._total))]
        shortest = _STEADY_MS / _HOP_MS * self._hop
        return np.array([len(gaps) > 0 and float(np.median(gaps)) < shortest for gaps in apart])

    def _all(self) -> Onsets:
        self._onsets = [np.concatenate(self._onsets)]
        return self._onsets[0]

    def _search(self, *, final: bool) -> None:
        """Find onsets in the frames whose surroundings are complete; keep what the next call needs."""
        lead = self._before + self._gap
        tail = round(MERGE_MS / _HOP_MS)
        n_frames = len(self._energy[0])
        last = n_frames - (1 if final else tail)
        if last <= lead:
            return
        for track in range(len(self._energy)):
            self._collect(track, lead, last)
        keep = last - lead
        self._energy = [energy[keep:].copy() for energy in self._energy]
        self._first_frame += keep

    def _collect(self, track: int, lead: int, last: int) -> None:
        """Keep the first frame of each rise of a track that is high enough, of frames [lead, last)."""
        energy = self._energy[track]
        doubles = energy.astype(np.float64)
        sums = np.concatenate([[0.0], np.cumsum(doubles)])
        self._total[track] += sums[last] - sums[lead]
        stop, count = len(energy), self._before - self._gap
        # Of each frame from `lead` on: the energy of the sound just before, so many frames together.
        before = sums[lead - self._gap : stop - self._gap] - sums[lead - self._before : stop - self._before]
        high = doubles[lead:last] >= before[: last - lead] * (MIN_RISE / count)
        high &= doubles[lead:last] >= MIN_RISE * TINY
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
        samples = (first + np.array(found)) * self._hop
        self._onsets.append(made_onsets(track, samples, levels_db, rises_db))

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


def made_onsets(track: int, samples: ArrayLike, levels_db: ArrayLike, rises_db: ArrayLike) -> Onsets:
    """Make onsets of one track.

    Parameters
    ----------
    track : int
    samples, levels_db, rises_db : array-like
        As the fields of `Onsets`; levels and rises may be one for all.

    Returns
    -------
    Onsets
    """
    made = np.empty(np.shape(samples), _ONSET)
    made["track"], made["sample"], made["level_db"], made["rise_db"] = track, samples, levels_db, rises_db
    return made


def samples_of(onsets: Onsets, track: int) -> NDArray[np.int64]:
    """Return when the onsets of a track are, in their order."""
    at: NDArray[np.int64] = onsets["sample"][onsets["track"] == track]
    return at


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
    total = parts[0] + parts[1]
    for part in parts[2:]:
        total += part
    return total


def onset_frame_samples(sample_rate_hz: int) -> int:
    """Length of the frames of the onset envelope."""
    return _HOPS * max(2, round(sample_rate_hz * _HOP_MS * 1e-3))


def merge_onsets(onsets: Onsets, n_tracks: int, sample_rate_hz: int) -> list[Event]:
    """Merge the strong onsets of all tracks into events.

    Parameters
    ----------
    onsets : Onsets
        Of all tracks, in any order.
    n_tracks, sample_rate_hz : int
        Of the recording.

    Returns
    -------
    list of Event
        In time order; events with another event closer than ``clear_ms`` are left out.
    """
    strong = onsets[_strong(onsets)]
    strong = strong[np.argsort(strong["sample"], kind="stable")]
    merge = MERGE_MS * 1e-3 * sample_rate_hz
    firsts: list[int] = []
    begun = -np.inf
    for place, at in enumerate(strong["sample"].tolist()):
        if at - begun > merge:
            firsts.append(place)
            begun = at
    gaps = np.diff(strong["sample"][firsts].astype(float), prepend=-np.inf, append=np.inf)
    clear = _CLEAR_MS * 1e-3 * sample_rate_hz
    return [
        _event(strong[first:stop], n_tracks)
        for first, stop, before, after in zip(
            firsts, [*firsts[1:], len(strong)], gaps[:-1], gaps[1:], strict=True
        )
        if min(before, after) > clear
    ]


def _strong(onsets: Onsets) -> NDArray[np.bool_]:
    """Whether each onset is near its track's own loudest ones."""
    strong = np.zeros(len(onsets), dtype=bool)
    for track in np.unique(onsets["track"]):
        own = onsets["track"] == track
        strong[own] = below_loudest_db(onsets["level_db"][own]) >= -STRONG_RANGE_DB
    return strong


def below_loudest_db(levels_db: Floats) -> Floats:
    """Tell how loud onsets of a track are against its loudest ones: the first in a hundred, five at least."""
    return np.asarray(levels_db - np.sort(levels_db)[::-1][: max(5, len(levels_db) // 100)].mean())


def _event(group: Onsets, n_tracks: int) -> Event:
    rise = np.zeros(n_tracks)
    np.maximum.at(rise, group["track"], group["rise_db"])
    first = int(group["sample"][0])
    samples = np.full(n_tracks, first, dtype=np.int64)
    # The earliest of each track, which is written last.
    samples[group["track"][::-1]] = group["sample"][::-1]
    return Event(sample=first, onset_samples=samples, rise_db=read_only(rise))


def spread(items: int, most: int) -> NDArray[np.int64]:
    """Return indices of at most ``most`` of ``items`` things, spread evenly over them."""
    return (
        np.unique(np.linspace(0, items - 1, min(items, most)).round().astype(np.int64))
        if items
        else np.zeros(0, np.int64)
    )
