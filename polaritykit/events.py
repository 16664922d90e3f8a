"""Blocks to onsets of every track, merged into events, and the sources the events cluster into.

An *event* is one moment at which at least one track has a strong, sudden onset (a drum hit, a plucked
note).  Events that the tracks hear at alike relative levels come from one *source*.

Conventions
-----------
frames
    1 ms long; an onset's frame is the one whose rise over the sound just before is greatest.
levels
    dB per track; features of an event are levels less their mean over tracks, so that a hard and a
    soft hit of one drum look alike.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.records import Floats, Recording, Samples, read_only
from polaritykit.settings import EventSettings

_TINY = 1e-20


@dataclass(frozen=True, kw_only=True)
class Onset:
    """A sudden rise on one track."""

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


@dataclass(frozen=True, kw_only=True)
class HitSource:
    """A group of events that the tracks hear at alike relative levels."""

    events: tuple[Event, ...]
    #: Number of events in the cluster, before the cap on hits used.
    n_found: int
    #: Level per track of all its events together, in the band where it is loudest, dB; shape (n_tracks,).
    level_db: Floats
    #: Track with the steepest onsets.
    home: int
    #: Level of the lowest band over the next one, median over the tracks that hear both, dB.
    lowness_db: float


class OnsetDetector:
    """Finds the onsets of all tracks from consecutive blocks.

    The energy of a 1 ms frame is taken about its own straight line (mean and slope removed): a
    high-pass near 500 Hz that costs one small matrix product, so that the slow swing of a low drum
    does not hide the stick.
    """

    def __init__(self, n_tracks: int, sample_rate_hz: int, settings: EventSettings) -> None:
        self._settings = settings
        self._frame = max(8, round(sample_rate_hz * settings.frame_ms * 1e-3))
        self._before = round(settings.before_ms / settings.frame_ms)
        self._gap = round(settings.gap_ms / settings.frame_ms)
        self._rest: Samples = np.zeros((n_tracks, 0), dtype=np.float32)
        self._energy: Samples = np.zeros((n_tracks, 0), dtype=np.float32)
        self._first_frame = 0
        self._onsets: list[Onset] = []
        self._free_from = [0] * n_tracks
        self._ring_until = [0] * n_tracks
        self._total = np.zeros(n_tracks)
        self._after_onsets = np.zeros(n_tracks)
        ramp = np.linspace(-1.0, 1.0, self._frame)
        basis = np.stack([np.full(self._frame, self._frame**-0.5), ramp / np.sqrt(np.sum(ramp**2))])
        self._basis = basis.T.astype(np.float32)

    def update(self, block: Samples) -> None:
        """Take the next block, shape (n_tracks, n)."""
        samples = np.concatenate([self._rest, block], axis=1) if self._rest.shape[1] else block
        n_frames = samples.shape[1] // self._frame
        self._rest = samples[:, n_frames * self._frame :].copy()
        if not n_frames:
            return
        frames = samples[:, : n_frames * self._frame].reshape(len(samples), n_frames, self._frame)
        energy = np.einsum("tfn,tfn->tf", frames, frames)
        energy -= np.sum((frames @ self._basis) ** 2, axis=2)
        energy = np.maximum(energy / self._frame, _TINY)
        self._energy = np.concatenate([self._energy, energy], axis=1)
        self._search(final=False)

    def onsets(self) -> list[Onset]:
        """All onsets so far, the end of the take included."""
        self._search(final=True)
        return self._onsets

    def percussive_share(self) -> Floats:
        """Share of each track's energy that lies just after its own onsets, shape (n_tracks,)."""
        return np.asarray(self._after_onsets / np.maximum(self._total, _TINY))

    def _search(self, *, final: bool) -> None:
        """Find onsets in the frames whose surroundings are complete; keep what the next call needs."""
        lead = self._before + self._gap
        tail = round(self._settings.merge_ms / self._settings.frame_ms)
        n_frames = self._energy.shape[1]
        last = n_frames - (1 if final else tail)
        if last <= lead:
            return
        sums = np.concatenate(
            [np.zeros((len(self._energy), 1)), np.cumsum(self._energy, axis=1, dtype=np.float64)], axis=1
        )
        span = self._before - self._gap
        at = np.arange(lead, n_frames)
        before = (sums[:, at - self._gap] - sums[:, at - self._before]) / span
        rise = 10 * np.log10(self._energy[:, lead:] / np.maximum(before, _TINY))
        for track, row in enumerate(rise):
            self._collect(track, row, lead, last)
        self._total += self._energy[:, lead:last].sum(axis=1)
        keep = last - lead
        self._energy = self._energy[:, keep:].copy()
        self._first_frame += keep

    def _collect(self, track: int, rise: NDArray[np.floating], lead: int, last: int) -> None:
        """Keep the first frame of each rise that is high enough, up to frame ``last``."""
        tail = round(self._settings.merge_ms / self._settings.frame_ms)
        found: list[int] = []
        for index in np.flatnonzero(rise[: last - lead] >= self._settings.min_rise_db):
            frame = self._first_frame + lead + int(index)
            if frame < self._free_from[track]:
                continue
            found.append(frame)
            after = self._energy[track, lead + index : lead + index + tail]
            self._onsets.append(
                Onset(
                    track=track,
                    sample=frame * self._frame,
                    level_db=float(10 * np.log10(after.max())),
                    rise_db=float(rise[index : index + 5].max()),
                )
            )
            self._free_from[track] = frame + tail
        self._add_ringing(track, found, self._first_frame + lead, self._first_frame + last)

    def _add_ringing(self, track: int, found: list[int], first: int, last: int) -> None:
        """Add up the energy of frames [first, last) that lie just after an onset."""
        ring = round(self._settings.ring_ms / self._settings.frame_ms)
        for frame in found:
            self._sum_until(track, first, frame)
            self._ring_until[track] = frame + ring
            first = frame
        self._sum_until(track, first, last)

    def _sum_until(self, track: int, first: int, last: int) -> None:
        stop = min(last, self._ring_until[track])
        if stop > first:
            inside = self._energy[track, first - self._first_frame : stop - self._first_frame]
            self._after_onsets[track] += float(inside.sum())


def merge_onsets(
    onsets: list[Onset], n_tracks: int, sample_rate_hz: int, settings: EventSettings
) -> list[Event]:
    """Merge the strong onsets of all tracks into events.

    Parameters
    ----------
    onsets : list of Onset
        Of all tracks, in any order.
    n_tracks, sample_rate_hz : int
        Of the recording.
    settings : EventSettings
        ``strong_range_db``, ``merge_ms`` and ``clear_ms`` are used.

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
            strong += [onset for onset in own if onset.level_db >= top - settings.strong_range_db]
    strong.sort(key=lambda onset: onset.sample)
    merge = settings.merge_ms * 1e-3 * sample_rate_hz
    groups: list[list[Onset]] = []
    for onset in strong:
        if groups and onset.sample - groups[-1][0].sample <= merge:
            groups[-1].append(onset)
        else:
            groups.append([onset])
    starts = np.array([group[0].sample for group in groups], dtype=float)
    gaps = np.diff(starts, prepend=-np.inf, append=np.inf)
    clear = settings.clear_ms * 1e-3 * sample_rate_hz
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


def find_sources(recording: Recording, events: list[Event], settings: EventSettings) -> list[HitSource]:
    """Cluster events into sources by how loud each track hears them.

    Parameters
    ----------
    recording : Recording
        Read around each event looked at.
    events : list of Event
        From `merge_onsets`.
    settings : EventSettings
        Bands, cluster distance and caps.

    Returns
    -------
    list of HitSource
        Loudest home track first; empty where nothing repeats often enough.
    """
    from scipy.cluster.hierarchy import fcluster, linkage

    chosen = _choose(events, settings)
    if len(chosen) < settings.min_events:
        return []
    levels = np.array([_levels(recording, event, settings) for event in chosen])  # (event, track, band)
    relative = _features(levels, settings)
    features = relative[:, :, : len(settings.feature_bands_hz)].reshape(len(chosen), -1)
    # Root-mean-square difference per coordinate, so that the cut does not depend on the number of tracks.
    tree = linkage(features / np.sqrt(features.shape[1]), method="average")
    labels = fcluster(tree, settings.cluster_distance_db, criterion="distance")
    sources = []
    for label in np.unique(labels):
        members = np.flatnonzero(labels == label)
        if len(members) < settings.min_events:
            continue
        rise = np.mean([chosen[index].rise_db for index in members], axis=0)
        home = int(np.argmax(rise))
        kept = members[_cleanest(levels[members], home, settings)]
        sources.append(
            HitSource(
                events=tuple(chosen[index] for index in kept),
                n_found=len(members),
                level_db=read_only(
                    np.median(levels[members].max(axis=2), axis=0) + 10 * np.log10(len(members))
                ),
                home=home,
                lowness_db=_lowness_db(np.median(levels[members], axis=0)),
            )
        )
    return sorted(sources, key=lambda source: -float(source.level_db.max()))


def _lowness_db(levels: Floats) -> float:
    """Lowest band over the next, median over tracks with energy in both; levels (n_tracks, n_bands)."""
    heard = levels[(levels[:, :2] > 10 * np.log10(_TINY) + 20).all(axis=1)]
    return float(np.median(heard[:, 0] - heard[:, 1])) if len(heard) else 0.0


def _cleanest(levels: Floats, home: int, settings: EventSettings) -> NDArray[np.int64]:
    """Return the hits least mixed with other sources, in time order.

    What a track hears of a hit, against the hit's own level on the home track, has a floor; other
    sources sounding at the same moment can only add to it.
    """
    relative = levels - levels[:, home : home + 1, :].max(axis=2, keepdims=True)
    excess = np.clip(relative - np.percentile(relative, 20, axis=0), 0.0, settings.feature_range_db)
    mixed = excess.mean(axis=(1, 2))
    limit = np.percentile(mixed, 20) + settings.clean_excess_db
    order = np.argsort(mixed)
    clean = order[: max(int(np.sum(mixed <= limit)), min(len(order), settings.min_clean_hits))]
    if len(clean) > settings.max_hits:
        clean = np.sort(clean)[spread(len(clean), settings.max_hits)]
    return np.sort(clean)


def _features(levels: Floats, settings: EventSettings) -> Floats:
    """Levels relative to each track's own loudest events, then to the event's loudest track, floored.

    The first makes preamp gains irrelevant, the second the strength of the hit; the floor keeps what
    a track hears of *other* sources at that moment from telling hits of one source apart.
    """
    own_top = np.percentile(levels, 95, axis=0)
    relative = levels - own_top
    relative -= relative.max(axis=(1, 2), keepdims=True)
    return np.asarray(np.maximum(relative, -settings.feature_range_db))


def _choose(events: list[Event], settings: EventSettings) -> list[Event]:
    """At most so many events per steepest track, so that a busy hi-hat leaves room for a rare tom."""
    chosen: list[Event] = []
    homes = np.array([int(np.argmax(event.rise_db)) for event in events])
    for home in np.unique(homes):
        own = np.flatnonzero(homes == home)
        chosen += [events[own[index]] for index in spread(len(own), settings.max_events_per_track)]
    return sorted(chosen, key=lambda event: event.sample)


def _levels(recording: Recording, event: Event, settings: EventSettings) -> Floats:
    """Level per track and band over the first 45 ms of an event, dB; shape (n_tracks, n_bands)."""
    rate = recording.sample_rate_hz
    start = event.sample - round(0.005 * rate)
    window = recording.read(start, start + round(0.05 * rate))
    before = recording.read(start - window.shape[1], start)
    # Short fades only: a hi-hat is over before a bell-shaped window opens.
    fade = round(0.004 * rate)
    taper = np.ones(window.shape[1])
    taper[:fade] = np.sin(np.linspace(0.0, np.pi / 2, fade)) ** 2
    taper[-fade:] = taper[:fade][::-1]
    power = (
        np.abs(np.fft.rfft(window * taper, axis=1)) ** 2 - np.abs(np.fft.rfft(before * taper, axis=1)) ** 2
    )
    frequency = np.fft.rfftfreq(window.shape[1], 1 / rate)
    bands = [
        power[:, (frequency >= low) & (frequency < high)].sum(axis=1)
        for low, high in (*settings.feature_bands_hz, settings.clean_band_hz)
    ]
    return np.asarray(10 * np.log10(np.maximum(np.stack(bands, axis=1), _TINY)))
