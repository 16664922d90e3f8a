"""Events to the sources behind them.

Events that the tracks hear at alike relative levels come from one *source* (a drum, a cymbal).

Conventions
-----------
levels
    dB, ``(n_events, n_tracks, n_bands)``; features are levels relative to each track's own loudest events,
    then to the event's loudest track, so that neither gains nor the strength of a stroke matter.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Recording, read_only
from polaritykit.struck.onsets import Event, spread
from polaritykit.struck.settings import EventSettings

_TINY = 1e-20


@dataclass(frozen=True, kw_only=True)
class HitSource:
    """A group of events that the tracks hear at alike relative levels."""

    events: tuple[Event, ...]
    #: Number of events in the cluster, before the cap on hits used.
    n_found: int
    #: Level per track of all its events together, in the band where it is loudest, dB; shape (n_tracks,).
    level_db: Floats
    #: Track on which the onsets rise highest and reach nearest to its own loudest ones.
    home: int
    #: Level of the lowest band over the next one, median over the tracks that hear both, dB.
    lowness_db: float
    #: Level per track of the top band against the loudest one, dB; shape (n_tracks,).
    highness_db: Floats


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
    levels, before = np.stack([_levels(recording, event, settings) for event in chosen], axis=1)
    # A track on which nothing ever sets in suddenly does not tell strokes apart, and lends none a home.
    struck = np.any([event.rise_db > 0.0 for event in events], axis=0)
    features = _features(levels[:, struck], settings)[:, :, : len(settings.feature_bands_hz)]
    features = features.reshape(len(chosen), -1)
    top = np.percentile(levels.max(axis=2), 95, axis=0)
    # Root-mean-square difference per coordinate, so that the cut does not depend on the number of tracks.
    tree = linkage(features / np.sqrt(features.shape[1]), method="average")
    labels = fcluster(tree, settings.cluster_distance_db, criterion="distance")
    groups = [np.flatnonzero(labels == label) for label in np.unique(labels)]
    sources = [
        _source(
            [chosen[index] for index in group],
            levels[group],
            before[group],
            top,
            struck=struck,
            settings=settings,
        )
        for group in groups
        if len(group) >= settings.min_events
    ]
    return sorted(sources, key=lambda source: -float(source.level_db.max()))


def _source(
    events: list[Event],
    levels: Floats,
    before: Floats,
    top: Floats,
    *,
    struck: NDArray[np.bool_],
    settings: EventSettings,
) -> HitSource:
    """Describe a cluster by its least disturbed events; ``top`` is each track's own loudest level."""
    # What nearly all events rise by and reach is the source's own: those in which another one sounds along
    # (a cymbal over every second stroke) do not lend it their home.
    rises = np.array([event.rise_db for event in events])
    reached = np.percentile(rises, 20, axis=0) + np.percentile(levels.max(axis=2) - top, 20, axis=0)
    home = int(np.argmax(np.where(struck, reached, -np.inf)))
    kept = _cleanest(levels[:, struck], before[:, struck], int(struck[:home].sum()), settings)
    clean = levels[kept]
    return HitSource(
        events=tuple(events[index] for index in kept),
        n_found=len(events),
        level_db=read_only(np.median(clean.max(axis=2), axis=0) + 10 * np.log10(len(events))),
        home=home,
        lowness_db=_lowness_db(np.median(clean[:, struck], axis=0)),
        highness_db=read_only(np.median(clean[:, :, -1] - clean.max(axis=2), axis=0)),
    )


def _lowness_db(levels: Floats) -> float:
    """Lowest band over the next, median over tracks with energy in both; levels (n_tracks, n_bands)."""
    heard = levels[(levels[:, :2] > 10 * np.log10(_TINY) + 20).all(axis=1)]
    return float(np.median(heard[:, 0] - heard[:, 1])) if len(heard) else 0.0


def _cleanest(levels: Floats, before: Floats, home: int, settings: EventSettings) -> NDArray[np.int64]:
    """Return the hits least disturbed by other sources, in time order.

    What a track hears of a hit, against the hit's own level on the home track, has a floor; other
    sources sounding at the same moment can only add to it, and what still rings from before covers it.
    """
    at_home = levels[:, home : home + 1, :].max(axis=2, keepdims=True)
    own = 10 ** ((at_home + np.percentile(levels - at_home, 20, axis=0)) / 10)
    disturbing = np.clip(10 ** (levels / 10) - own, 0.0, None) + 10 ** (before / 10)
    mixed = np.minimum(10 * np.log10(1.0 + disturbing / own), settings.feature_range_db).mean(axis=(1, 2))
    excess = mixed - np.percentile(mixed, 20)
    clean, nearly = (int(np.sum(excess <= times * settings.clean_excess_db)) for times in (1, 2))
    count = max(clean, min(nearly, settings.wanted_clean_hits), min(len(mixed), settings.min_clean_hits))
    kept = np.argsort(mixed)[:count]
    if len(kept) > settings.max_hits:
        kept = np.sort(kept)[spread(len(kept), settings.max_hits)]
    return np.sort(kept)


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
    tracks = np.unique(homes)
    most = min(settings.max_events_per_track, settings.max_events // max(len(tracks), 1))
    for home in tracks:
        own = np.flatnonzero(homes == home)
        chosen += [events[own[index]] for index in spread(len(own), most)]
    return sorted(chosen, key=lambda event: event.sample)


def _levels(recording: Recording, event: Event, settings: EventSettings) -> tuple[Floats, Floats]:
    """Level per track and band that an event brings in its first 45 ms, and the level before it.

    dB, shape (n_tracks, n_bands) each.
    """
    rate = recording.sample_rate_hz
    start = event.sample - round(0.005 * rate)
    length = round(0.05 * rate)
    # Short fades only: a hi-hat is over before a bell-shaped window opens.
    fade = round(0.004 * rate)
    taper = np.ones(length)
    taper[:fade] = np.sin(np.linspace(0.0, np.pi / 2, fade)) ** 2
    taper[-fade:] = taper[:fade][::-1]
    both = recording.read(start - length, start + length).reshape(-1, 2, length)
    power = np.abs(np.fft.rfft(both * taper, axis=-1)) ** 2
    frequency = np.fft.rfftfreq(length, 1 / rate)
    bands = (*settings.feature_bands_hz, settings.clean_band_hz)
    in_bands = np.stack(
        [power[..., (frequency >= low) & (frequency < high)].sum(axis=-1) for low, high in bands], axis=-1
    )
    before, with_event = np.maximum(in_bands[:, 0], _TINY), in_bands[:, 1]
    # Less than a tenth of what was there before cannot be told from its change.
    brought = np.maximum(with_event - before, 0.1 * before)
    return np.asarray(10 * np.log10(brought)), np.asarray(10 * np.log10(before))
