"""A recording to the evidence of all its sources, with what changed in the take taken back.

What is read in a first pass tells whether a track changed; if one did, everything is read again from the
recording as it would be without the change, so that no answer is an average of two states.

Conventions: as in `polaritykit.evidence.source` and `polaritykit.changes.motion`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.processes import in_processes
from polaritykit.base.spans import spans_of
from polaritykit.base.types import Floats, Progress, Recording
from polaritykit.changes.explain_hits import hit_motions
from polaritykit.changes.motion import Motion, joined
from polaritykit.changes.shifted_recording import ShiftedRecording, shifted_onsets
from polaritykit.changes.steady_recording import SteadyRecording, moved_source
from polaritykit.evidence.first_pass import FirstPass
from polaritykit.evidence.from_hits import at_once, hit_evidence, well_heard
from polaritykit.evidence.looks import Look, looks_of, together, within
from polaritykit.evidence.settings import Settings
from polaritykit.evidence.source import SourceEvidence, as_recorded
from polaritykit.evidence.weigh import open_pairs, weighed
from polaritykit.struck.common_time import common_time, still_late
from polaritykit.struck.measured_events import earlier, measured
from polaritykit.struck.onsets import Event, Onsets, merge_onsets
from polaritykit.struck.repeatability import HEARD_WITHIN_DB, REPEATS_FROM
from polaritykit.struck.sources import HitSource, find_sources, looked_at
from polaritykit.struck.together import struck_together
from polaritykit.sustained.activity import frame_samples

if TYPE_CHECKING:
    from polaritykit.sustained.frame_phases import FramePhases

#: Share of a track's energy just after its own sudden onsets above which it is percussive: phase
#: correlation of near and far mics on struck heads is wrong too often, and only hits are used.
_PERCUSSIVE_SHARE = 0.4
#: Changes are looked for again with those found taken back, this often.
_MOST_ROUNDS = 3
#: Homes whose frames are held at a time: each may take nearly two hundred megabytes.
_HOMES_AT_ONCE = 2

Evidence = tuple[SourceEvidence, ...]


@dataclass(frozen=True, kw_only=True)
class Collected:
    """Evidence, and the tracks that changed during the take."""

    evidence: Evidence
    motions: tuple[Motion, ...]


def collect(
    recording: Recording,
    first: FirstPass,
    *,
    settings: Settings,
    progress: Progress,
) -> Collected:
    """Read all sources: hits where tracks are percussive, frames where sound goes on or no stroke repeats.

    Parameters
    ----------
    recording : Recording
    first : FirstPass
        What reading every sample once told.
    settings : Settings
    progress : callable
        Called with the stage and the share of it done.

    Returns
    -------
    Collected
    """
    rate = recording.sample_rate_hz
    looks = looks_of(spans_of(recording), rate)
    if len(looks) <= 1:
        return _collect(recording, _Heard(first), settings, progress)
    told = [_collect(recording, _Heard(first, look), settings, progress) for look in looks]
    seen = np.zeros(len(recording.track_names), dtype=bool)
    motions: list[Motion] = []
    for part, look in zip(told, looks, strict=True):
        motions += [motion for motion in part.motions if not seen[motion.track]]
        seen |= look.pairs.any(axis=0)
    return Collected(evidence=together([part.evidence for part in told], looks, rate), motions=tuple(motions))


class _Heard:
    """What one pass told of the tracks and the time that a look takes; of all, without one."""

    def __init__(self, first: FirstPass, look: Look | None = None) -> None:
        self.onsets = first.onsets.onsets()
        self.percussive_share = first.onsets.percussive_share()
        self.usable, self.activity_db = first.usable, first.activity_db
        if look is not None:
            begin, end = look.span
            self.usable = [one and bool(look.tracks[track]) for track, one in enumerate(first.usable)]
            self.activity_db = within(first.activity_db, look, first.frame_samples)
            self.onsets = self.onsets[(self.onsets["sample"] >= begin) & (self.onsets["sample"] < end)]
        self.onsets = self.onsets[np.array(self.usable, dtype=bool)[self.onsets["track"]]]


def _collect(recording: Recording, heard: _Heard, settings: Settings, progress: Progress) -> Collected:
    usable, share = heard.usable, heard.percussive_share
    percussive = (share[:, None] + share[None, :]) / 2 >= _PERCUSSIVE_SHARE
    hits = Collected(evidence=(), motions=())
    if percussive.any():
        hits = _from_hits(recording, heard, progress)
    noisy = _noise_strokes(hits.evidence, len(usable))
    sustained = np.outer(usable, usable) & (~percussive | noisy) & ~np.eye(len(usable), dtype=bool)
    frames = Collected(evidence=(), motions=hits.motions)
    if len(heard.activity_db) >= 2 and sustained.any():
        frames = _from_frames(
            recording,
            heard.activity_db,
            sustained,
            hits.motions,
            search_ms=settings.search_ms,
            progress=progress,
        )
    steady: Recording = SteadyRecording(recording, frames.motions) if frames.motions else recording
    evidence = (*hits.evidence, *frames.evidence)
    if frames.evidence or open_pairs(evidence, usable).any():
        from polaritykit.evidence.from_take import moving_sources, take_evidence

        evidence = moving_sources(steady, evidence, settings.search_ms)
        still = open_pairs(evidence, usable)
        evidence = (*evidence, *take_evidence(steady, heard.activity_db, still, settings.search_ms))
    return Collected(evidence=weighed(evidence), motions=frames.motions)


def _noise_strokes(evidence: Evidence, n_tracks: int) -> NDArray[np.bool_]:
    """Pairs in which no source repeats its waveform, so that frames tell what hits cannot."""
    evidence = tuple(item for item in evidence if item.apart)
    if not evidence:
        return np.zeros((n_tracks, n_tracks), dtype=bool)
    # Where a source does not stand out of the noise, the level is of what else sounds at its strokes.
    there = np.array([[why != "noise" for why in item.obstacle] for item in evidence])
    level = np.where(there, [item.level_db for item in evidence], -np.inf)
    heard = there & (level >= level.max(axis=0) - HEARD_WITHIN_DB)
    repeats = np.array([item.similarity is not None and item.similarity >= REPEATS_FROM for item in evidence])
    clear = ~(heard & repeats[:, None]).any(axis=0)
    return np.outer(clear, clear)


def _from_hits(recording: Recording, heard: _Heard, progress: Progress) -> Collected:
    rate, usable, found = recording.sample_rate_hz, heard.usable, heard.onsets
    groups = struck_together(found, len(usable), rate, recording.n_samples)
    struck = np.isin(np.arange(len(usable)), [track for group in groups for track in group])
    sources: list[tuple[NDArray[np.int64], HitSource]] = []
    for group in groups:
        own = np.isin(np.arange(len(usable)), group)
        # Which sounds are told apart, in which windows they are read and where they are looked for must not
        # depend on how late the tracks are: they are read where all hear most strokes at one time.
        late, events = _lined_up(recording, found[own[found["track"]]], np.array(usable) & own)
        shifted = ShiftedRecording(recording, late)
        sources += [(late, source) for source in find_sources(shifted, events, elsewhere=struck & ~own)]
    everyone = [source for _, source in sources]

    def read(steady: Recording, motions: tuple[Motion, ...]) -> Evidence:
        def one(found: tuple[NDArray[np.int64], HitSource]) -> Evidence:
            late, source = found
            moved = moved_source(source, motions, rate)
            aligned = ShiftedRecording(steady, late)
            here = hit_evidence(aligned, moved, well_heard=well_heard(source, everyone))
            return tuple(as_recorded(item, late, rate) for item in here)

        items: list[SourceEvidence] = []
        for number, told in enumerate(in_processes(one, sources, most=at_once(everyone, rate), long=True)):
            items.extend(told)
            progress("hits", (number + 1) / len(sources))
        return tuple(items)

    def changed(evidence: Evidence) -> tuple[Motion, ...]:
        lags = [item.hit_lags for item in evidence if item.apart and item.hit_lags is not None]
        return hit_motions(lags, recording.n_samples / rate)

    return _settled(recording, read, changed, ())


def _lined_up(
    recording: Recording, found: Onsets, usable: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], list[Event]]:
    """By how much later each track is read, and the events looked at, in the common time.

    Onsets lie in frames and are found or not by where these begin: they line the tracks up to a frame, and
    what is measured there at every sample does so to some samples.
    """
    n_tracks, rate = len(recording.track_names), recording.sample_rate_hz
    late = common_time(found, n_tracks, rate)
    events = looked_at(merge_onsets(shifted_onsets(found, late), n_tracks, rate))
    events = measured(ShiftedRecording(recording, late), events, usable)
    more = still_late(events, n_tracks, rate)
    return late + more, [earlier(event, more) for event in events]


def _from_frames(
    recording: Recording,
    activity_db: Floats,
    sustained: NDArray[np.bool_],
    motions: tuple[Motion, ...],
    *,
    search_ms: float,
    progress: Progress,
) -> Collected:
    # Where all is struck, these and what they need take a twentieth of a short check's time.
    from polaritykit.changes.explain_frames import frame_motions
    from polaritykit.changes.near_tracks import near_tracks
    from polaritykit.evidence.closing import closed
    from polaritykit.evidence.from_frames import frame_evidence
    from polaritykit.sustained.frame_phases import frame_phases

    def read(steady: Recording, motions: tuple[Motion, ...]) -> Evidence:
        del motions
        items = []
        homes = np.flatnonzero(sustained.any(axis=1)).tolist()
        for phases in frame_phases(steady, activity_db, homes):

            def look(place: int, phases: "FramePhases" = phases) -> tuple[int, list[int]]:
                others = np.flatnonzero(sustained[phases.homes[place]]).tolist()
                return phases.homes[place], near_tracks(phases, place, others, search_ms)

            def one(found: tuple[int, list[int]]) -> SourceEvidence:
                home, near = found
                return frame_evidence(steady, activity_db, home, near, search_ms)

            near = list(in_processes(look, range(len(phases.homes))))
            for item in in_processes(one, near, most=_HOMES_AT_ONCE):
                items.append(item)
                progress("sustained sound", (item.home + 1) / len(sustained))
        return tuple(closed(steady, items, frame_samples(steady.n_samples, steady.sample_rate_hz)))

    def changed(evidence: Evidence) -> tuple[Motion, ...]:
        lags = [pair for item in evidence for pair in item.pair_lags]
        return frame_motions(lags, len(sustained), recording.n_samples / recording.sample_rate_hz)

    return _settled(recording, read, changed, motions)


def _settled(
    recording: Recording,
    read: Callable[[Recording, tuple[Motion, ...]], Evidence],
    changed: Callable[[Evidence], tuple[Motion, ...]],
    motions: tuple[Motion, ...],
) -> Collected:
    """Read, and read again with the changes found so far taken back, until none is found."""
    for _ in range(_MOST_ROUNDS):
        steady: Recording = SteadyRecording(recording, motions) if motions else recording
        evidence = read(steady, motions)
        more = changed(evidence)
        if not more:
            break
        motions = joined(motions, more)
    else:
        evidence = read(SteadyRecording(recording, motions), motions)
    return Collected(evidence=evidence, motions=motions)
