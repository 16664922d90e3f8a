"""Events to the sources behind them.

Events that the tracks hear at alike relative levels come from one *source* (a drum, a cymbal).

Conventions
-----------
levels
    dB, ``(n_events, n_tracks, n_bands)``; features are levels relative to each track's own loudest events,
    then to the event's loudest track, so that neither gains nor the strength of a stroke matter.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Recording, Samples, read_only
from polaritykit.base.windows import over_windows
from polaritykit.struck.onsets import Event, spread

#: Bands in which the level of an event is compared between tracks.
_FEATURE_BANDS_HZ = ((60.0, 250.0), (250.0, 2000.0))
#: Further band in which hits mixed with other sources (cymbals above all) show.
_CLEAN_BAND_HZ = (2000.0, 10000.0)
#: A hit counts as clean up to this much more mean disturbance (dB over tracks and bands, by other sources
#: at the same moment and by what rings from before) than the cleanest fifth ...
_CLEAN_EXCESS_DB = 1.5
#: ... twice as much where that leaves fewer than so many (more hardly helped, fewer scattered) ...
_WANTED_CLEAN_HITS = 16
#: ... and so many hits are kept in any case.
_MIN_CLEAN_HITS = 10
#: Levels further below the event's loudest track count as this far below.
_FEATURE_RANGE_DB = 24.0
#: Average-linkage distance (rms dB over tracks and bands) at which clusters are cut ...
_CLUSTER_DISTANCE_DB = 5.0
#: ... which is known to half an octave either way: a group counts by the share of these cuts (of their
#: logarithm) at which it stands, so that no stroke more or less tips what is said.
_CUTS_DB = (_CLUSTER_DISTANCE_DB / 2**0.5, _CLUSTER_DISTANCE_DB * 2**0.5)
#: A group that stands at a smaller share is not read.
_LEAST_SHARE = 0.1
#: A group that holds so much of a larger one is not read apart from it: it would say the same.
_ALIKE = 0.8
#: Fewest events that make a source: the spread over hits needs some ...
_MIN_EVENTS = 6
#: ... though a rare drum whose strokes are in no other group is read of these, with a wider ± (Student's).
_RARE_EVENTS = 4
#: Events looked at per track that hears them loudest, spread over the take: bounds the work.
_MAX_EVENTS_PER_TRACK = 60
#: ... and over all tracks: beyond eleven busy tracks each has fewer.
_MAX_EVENTS = 660
#: Hits used of one source, spread over the take; more did not help (16 to 24 are enough).
MOST_HITS = 24

#: Tracks in which one source's strokes are looked for: of more, those in which most sets in with them.  No
#: source reaches so many mics, and what a source takes grows with the square of its tracks.
MOST_TRACKS = 64

#: An event is heard for so long, from so long before it on.
_HIT_S, _LEAD_S = 0.05, 0.005
#: A track struck at moments of its own hears a source by chance this often.
_BY_CHANCE = 0.001

_TINY = 1e-20
#: Level in tracks that do not hear a source at all.
NOT_HEARD_DB = -200.0


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
    #: Part of the plausible cuts at which the group stands, of 0 to 1.
    cuts: tuple[float, float] = (0.0, 1.0)
    #: Stands at the middle cut, or shares no event with what does: such groups have no event in common.
    apart: bool = True
    #: Tracks in which its strokes are looked for, in session order; all where it is None.
    heard_in: tuple[int, ...] | None = None


def find_sources(
    recording: Recording, events: list[Event], *, elsewhere: NDArray[np.bool_] | None = None
) -> list[HitSource]:
    """Cluster events into sources by how loud each track hears them.

    Parameters
    ----------
    recording : Recording
        Read around each event looked at.
    events : list of Event
        From `looked_at`.
    elsewhere : ndarray of bool, shape (n_tracks,), optional
        Tracks struck at moments of their own (`polaritykit.struck.together`): the source is looked for in
        those that get louder with its strokes.

    Returns
    -------
    list of HitSource
        Loudest home track first; empty where nothing repeats often enough.
    """
    if len(events) < _RARE_EVENTS:
        return []
    from scipy.cluster.hierarchy import linkage  # where nothing is struck, a tenth of a short check's time

    # A track on which nothing ever sets in suddenly does not tell strokes apart, and lends none a home.
    struck = np.flatnonzero(np.any([event.rise_db > 0.0 for event in events], axis=0))
    levels, before = _levels(recording, events, tuple(struck.tolist()))
    features = _features(levels)[:, :, : len(_FEATURE_BANDS_HZ)].reshape(len(events), -1)
    # Root-mean-square difference per coordinate, so that the cut does not depend on the number of tracks.
    tree = linkage(features / np.sqrt(features.shape[1]), method="average")
    if elsewhere is None:
        elsewhere = np.zeros(len(recording.track_names), dtype=np.bool_)
    heard = _Heard(events=events, levels=levels, before=before, struck=struck, elsewhere=elsewhere)
    chosen = _without_strays([_Chosen.of(heard, group) for group in _groups(tree)])
    kept = sorted({int(index) for one in chosen for index in one.kept})
    asked = sorted({int(index) for one in chosen for index in one.asked})
    others = ~elsewhere & ~np.isin(np.arange(len(elsewhere)), struck)
    heard = heard.by_all(recording, [(kept, others), (asked, elsewhere)])
    sources = [_source(heard, one) for one in chosen]
    return sorted(sources, key=lambda source: -float(source.level_db.max()))


@dataclass(frozen=True, kw_only=True)
class _Heard:
    """How tracks hear the events looked at."""

    events: list[Event]
    #: Tracks on which anything ever sets in suddenly.
    struck: NDArray[np.int64]
    #: Tracks that are struck at moments of their own, shape (n_tracks,).
    elsewhere: NDArray[np.bool_]
    #: What an event brings, and what was there before it, dB; shape (n_events, n_struck, n_bands), or of all
    #: tracks, where the events are those that were chosen.
    levels: Floats
    before: Floats

    def by_all(self, recording: Recording, asked: Sequence[tuple[list[int], NDArray[np.bool_]]]) -> "_Heard":
        """Let other tracks tell of some events, and those of no others."""
        told = np.full((2, len(self.events), len(self.elsewhere), self.levels.shape[2]), np.nan)
        told[:, :, self.struck] = self.levels, self.before
        for which, tracks in asked:
            if which and tracks.any():
                rows, events = np.flatnonzero(tracks), [self.events[index] for index in which]
                told[:, np.array(which)[:, None], rows] = _levels(recording, events, tuple(rows.tolist()))
        return replace(self, levels=told[0], before=told[1])


@dataclass(frozen=True, kw_only=True)
class _Group:
    """Events that stand together between two heights of the tree."""

    members: NDArray[np.int64]
    cuts: tuple[float, float]
    apart: bool


def _groups(tree: Floats) -> list[_Group]:
    """All groups of enough events that stand at a fair share of the cuts, parts of larger ones included."""
    stands_from, stands_to, members = _standing(tree)
    low, high = np.log(_CUTS_DB)
    place = (np.log(np.maximum([stands_from, stands_to], 1e-9)) - low) / (high - low)
    place = np.clip(place, 0.0, 1.0)
    wide = place[1] - place[0] >= _LEAST_SHARE
    groups = [
        _Group(
            members=np.sort(members[node]),
            cuts=(float(place[0, node]), float(place[1, node])),
            apart=bool(stands_from[node] <= _CLUSTER_DISTANCE_DB < stands_to[node]),
        )
        for node in np.flatnonzero(wide).tolist()
        if len(members[node]) >= _RARE_EVENTS
    ]
    return _with_the_rest_apart(groups)


def _with_the_rest_apart(groups: list[_Group]) -> list[_Group]:
    """Take for apart, too, what has no event of those at the middle cut: a drum of few strokes, not alike.

    Of groups of very few only those are kept that share no event with any other.
    """
    wide_first = sorted(groups, key=lambda group: group.cuts[0] - group.cuts[1])
    taken = {event for group in groups if group.apart and _many(group) for event in group.members.tolist()}
    found: list[_Group] = []
    for group in filter(_many, wide_first):
        free = taken.isdisjoint(group.members.tolist())
        found.append(replace(group, apart=group.apart or free))
        taken.update(group.members.tolist() if free else ())
    for group in wide_first:
        if not _many(group) and not any(np.isin(group.members, one.members).any() for one in found):
            found.append(replace(group, apart=True))
    return found


def _many(group: _Group) -> bool:
    return len(group.members) >= _MIN_EVENTS


def _standing(tree: Floats) -> tuple[Floats, Floats, list[NDArray[np.int64]]]:
    """Heights between which each node of the tree stands, and its events.

    A node that holds most of a larger one is spoken for by that and stands nowhere.
    """
    n = len(tree) + 1
    formed, joined = np.zeros(2 * n - 1), np.full(2 * n - 1, np.inf)
    formed[n:] = tree[:, 2]
    members = [np.array([leaf]) for leaf in range(n)]
    parent = np.full(2 * n - 1, -1)
    for node, (left, right, height, _) in enumerate(tree, start=n):
        both = [int(left), int(right)]
        joined[both], parent[both] = height, node
        members.append(np.concatenate([members[k] for k in both]))
    # From the root down, so that what stands for a group is known before the group.
    stands_for = np.arange(2 * n - 1)
    for node in range(2 * n - 3, -1, -1):
        whole = int(stands_for[parent[node]])
        if joined[node] <= _CUTS_DB[1] and len(members[node]) >= _ALIKE * len(members[whole]):
            stands_for[node] = whole
            formed[whole] = formed[node]
            joined[node] = formed[node]
    return formed, joined, members


@dataclass(frozen=True, kw_only=True)
class _Chosen:
    """The least disturbed events of a group, its home, and those asked of tracks struck elsewhere."""

    group: _Group
    kept: NDArray[np.int64]
    home: int
    asked: NDArray[np.int64]

    @classmethod
    def of(cls, heard: _Heard, group: _Group) -> "_Chosen":
        """Choose them by what the struck tracks hear."""
        levels, before = heard.levels[group.members], heard.before[group.members]
        # What nearly all events rise by and reach is the source's own: those in which another one sounds
        # along (a cymbal over every second stroke) do not lend it their home.
        rises = np.array([heard.events[index].rise_db[heard.struck] for index in group.members])
        # Each track's own loudest level.
        top = np.percentile(heard.levels.max(axis=2), 95, axis=0)
        reached = np.percentile(rises, 20, axis=0) + np.percentile(levels.max(axis=2) - top, 20, axis=0)
        home = int(np.argmax(reached))
        kept = group.members[_cleanest(levels, before, home)]
        # All of them; of very many tracks, which would be read at every stroke, those that are kept.
        asked = kept if len(heard.elsewhere) > MOST_TRACKS else group.members
        return cls(group=group, kept=kept, home=int(heard.struck[home]), asked=asked)


def _without_strays(chosen: list[_Chosen]) -> list[_Chosen]:
    """Leave out groups of very few strokes where their home has a larger one: no drum of their own."""
    homes = {one.home for one in chosen if _many(one.group)}
    return [one for one in chosen if _many(one.group) or one.home not in homes]


def _source(heard: _Heard, chosen: _Chosen) -> HitSource:
    """Describe a group by its least disturbed events."""
    clean, before, group = heard.levels[chosen.kept], heard.before[chosen.kept], chosen.group
    hears = ~heard.elsewhere
    hears |= _gets_louder(heard.levels[chosen.asked], heard.before[chosen.asked])
    level_db = np.median(clean.max(axis=2), axis=0) + 10 * np.log10(len(group.members))
    return HitSource(
        events=tuple(heard.events[index] for index in chosen.kept),
        n_found=len(group.members),
        level_db=read_only(np.where(hears, level_db, NOT_HEARD_DB)),
        home=chosen.home,
        lowness_db=_lowness_db(np.median(clean[:, heard.struck], axis=0)),
        highness_db=read_only(np.median(clean[:, :, -1] - clean.max(axis=2), axis=0)),
        cuts=group.cuts,
        apart=group.apart,
        heard_in=_heard_in(clean - before, chosen.home, hears),
    )


def _gets_louder(levels: Floats, before: Floats) -> NDArray[np.bool_]:
    """Tell the tracks that are louder just after more of some moments than chance would have it.

    A track that does not hear a source is as often louder as quieter (and more often quieter where its own
    sounds set in suddenly and die away): the sign test, band by band.
    """
    from scipy.special import bdtrc

    # What is not louder was put a tenth of what was there before (`_levels`).
    louder = (levels > before - 10.0 + 1e-6).sum(axis=0)
    chance = bdtrc(louder - 1, len(levels), 0.5) * levels.shape[2]
    return np.asarray(chance.min(axis=1) <= _BY_CHANCE)


def _heard_in(rise_db: Floats, home: int, hears: NDArray[np.bool_]) -> tuple[int, ...] | None:
    """Tracks that hear a source; of very many those that rise most, (n_strokes, n_tracks, n_bands)."""
    typical = np.where(hears, np.median(rise_db, axis=0).max(axis=1), -np.inf)
    if hears.all() and len(typical) <= MOST_TRACKS:
        return None
    typical[home] = np.inf
    most = np.argsort(-typical, kind="stable")[:MOST_TRACKS]
    return tuple(np.sort(most[typical[most] > -np.inf]).tolist())


def _lowness_db(levels: Floats) -> float:
    """Lowest band over the next, median over tracks with energy in both; levels (n_tracks, n_bands)."""
    heard = levels[(levels[:, :2] > 10 * np.log10(_TINY) + 20).all(axis=1)]
    return float(np.median(heard[:, 0] - heard[:, 1])) if len(heard) else 0.0


def _cleanest(levels: Floats, before: Floats, home: int) -> NDArray[np.int64]:
    """Return the hits least disturbed by other sources, in time order.

    What a track hears of a hit, against the hit's own level on the home track, has a floor; other
    sources sounding at the same moment can only add to it, and what still rings from before covers it.
    """
    at_home = levels[:, home : home + 1, :].max(axis=2, keepdims=True)
    own = 10 ** ((at_home + np.percentile(levels - at_home, 20, axis=0)) / 10)
    disturbing = np.clip(10 ** (levels / 10) - own, 0.0, None) + 10 ** (before / 10)
    mixed = np.minimum(10 * np.log10(1.0 + disturbing / own), _FEATURE_RANGE_DB).mean(axis=(1, 2))
    excess = mixed - np.percentile(mixed, 20)
    clean, nearly = (int(np.sum(excess <= times * _CLEAN_EXCESS_DB)) for times in (1, 2))
    count = max(clean, min(nearly, _WANTED_CLEAN_HITS), min(len(mixed), _MIN_CLEAN_HITS))
    kept = np.argsort(mixed)[:count]
    if len(kept) > MOST_HITS:
        kept = np.sort(kept)[spread(len(kept), MOST_HITS)]
    return np.sort(kept)


def _features(levels: Floats) -> Floats:
    """Levels relative to each track's own loudest events, then to the event's loudest track, floored.

    The first makes preamp gains irrelevant, the second the strength of the hit; the floor keeps what
    a track hears of *other* sources at that moment from telling hits of one source apart.
    """
    own_top = np.percentile(levels, 95, axis=0)
    relative = levels - own_top
    relative -= relative.max(axis=(1, 2), keepdims=True)
    return np.asarray(np.maximum(relative, -_FEATURE_RANGE_DB))


def looked_at(events: list[Event]) -> list[Event]:
    """At most so many events per steepest track, so that a busy hi-hat leaves room for a rare tom.

    Parameters
    ----------
    events : list of Event
        From `merge_onsets`.
    """
    chosen: list[Event] = []
    homes = np.array([int(np.argmax(event.rise_db)) for event in events])
    tracks = np.unique(homes)
    most = min(_MAX_EVENTS_PER_TRACK, _MAX_EVENTS // max(len(tracks), 1))
    for home in tracks:
        own = np.flatnonzero(homes == home)
        chosen += [events[own[index]] for index in spread(len(own), most)]
    return sorted(chosen, key=lambda event: event.sample)


def _levels(recording: Recording, events: Sequence[Event], tracks: tuple[int, ...]) -> tuple[Floats, Floats]:
    """Level per track and band that events bring in their first 45 ms, and the level before them.

    dB, shape (n_events, n_tracks, n_bands) each.
    """
    rate = recording.sample_rate_hz
    length, lead = round(_HIT_S * rate), round(_LEAD_S * rate)
    windows = [(event.sample - lead - length, event.sample - lead + length) for event in events]
    told = over_windows(lambda _, sound: _levels_in(sound, rate), recording, windows, tracks)
    brought, before = np.stack(told, axis=1)
    return brought, before


def _levels_in(sound: Samples, rate: int) -> tuple[Floats, Floats]:
    """Levels of one event, in the sound before its beginning and, as long, after; (n_tracks, n_bands)."""
    from scipy.fft import rfft

    length = sound.shape[1] // 2
    # Short fades only: a hi-hat is over before a bell-shaped window opens.
    fade = round(0.004 * rate)
    taper = np.ones(length)
    taper[:fade] = np.sin(np.linspace(0.0, np.pi / 2, fade)) ** 2
    taper[-fade:] = taper[:fade][::-1]
    spectra = rfft(sound.reshape(-1, 2, length) * taper, axis=-1)
    frequency = np.fft.rfftfreq(length, 1 / rate)
    edges = [np.searchsorted(frequency, band) for band in (*_FEATURE_BANDS_HZ, _CLEAN_BAND_HZ)]
    spectra = spectra[..., : max(stop for _, stop in edges)]
    power = spectra.real**2 + spectra.imag**2
    in_bands = np.stack([power[..., first:stop].sum(axis=-1) for first, stop in edges], axis=-1)
    before, with_event = np.maximum(in_bands[:, 0], _TINY), in_bands[:, 1]
    # Less than a tenth of what was there before cannot be told from its change.
    brought = np.maximum(with_event - before, 0.1 * before)
    return np.asarray(10 * np.log10(brought)), np.asarray(10 * np.log10(before))
