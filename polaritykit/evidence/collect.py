"""A recording to the evidence of all its sources, with what changed in the take taken back.

What is read in a first pass tells whether a track changed; if one did, everything is read again from the
recording as it would be without the change, so that no answer is an average of two states.

Conventions: as in `polaritykit.evidence.source` and `polaritykit.changes.motion`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Progress, Recording
from polaritykit.changes.explain_frames import frame_motions
from polaritykit.changes.explain_hits import hit_motions
from polaritykit.changes.motion import Motion, joined
from polaritykit.changes.steady_recording import SteadyRecording, moved_source
from polaritykit.evidence.first_pass import FirstPass
from polaritykit.evidence.from_take import moving_sources, open_pairs, take_evidence
from polaritykit.evidence.settings import MeasuringSettings
from polaritykit.evidence.source import SourceEvidence, continuous_evidence, covered, hit_evidence, well_heard
from polaritykit.struck.onsets import OnsetDetector, merge_onsets
from polaritykit.struck.repeatability import strokes_alike
from polaritykit.struck.sources import HitSource, find_sources

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
    settings: MeasuringSettings,
    progress: Progress,
) -> Collected:
    """Read all sources: hits where tracks are percussive, frames where sound goes on or no stroke repeats.

    Parameters
    ----------
    recording : Recording
    first : FirstPass
        What reading every sample once told.
    settings : MeasuringSettings
    progress : callable
        Called with the stage and the share of it done.

    Returns
    -------
    Collected
    """
    onsets, activity_db, usable = first.onsets, first.activity_db, first.usable
    share = onsets.percussive_share()
    percussive = (share[:, None] + share[None, :]) / 2 >= settings.continuous.percussive_share
    hits = Collected(evidence=(), motions=())
    if percussive.any():
        hits = _from_hits(recording, onsets, usable, settings, progress)
    noisy = _noise_strokes(recording, hits.evidence, settings)
    sustained = np.outer(usable, usable) & (~percussive | noisy) & ~np.eye(len(usable), dtype=bool)
    frames = Collected(evidence=(), motions=hits.motions)
    if len(activity_db) >= 2 and sustained.any():
        frames = _from_frames(
            recording, activity_db, sustained, hits.motions, settings=settings, progress=progress
        )
    steady: Recording = SteadyRecording(recording, frames.motions) if frames.motions else recording
    evidence = moving_sources(
        steady,
        (*hits.evidence, *frames.evidence),
        settings=settings.continuous,
        edge_cap=settings.evidence.edge_cap,
    )
    rest = take_evidence(
        steady,
        activity_db,
        open_pairs(evidence, usable, settings.continuous.open_log_odds),
        settings=settings.continuous,
        edge_cap=settings.evidence.edge_cap,
    )
    return Collected(evidence=covered((*evidence, *rest), settings.evidence), motions=frames.motions)


def _noise_strokes(
    recording: Recording, evidence: Evidence, settings: MeasuringSettings
) -> NDArray[np.bool_]:
    """Pairs in which no source repeats its waveform, so that frames tell what hits cannot."""
    n = len(recording.track_names)
    if not evidence:
        return np.zeros((n, n), dtype=bool)
    level = np.stack([item.level_db for item in evidence])
    heard = level >= level.max(axis=0) - settings.strokes.stroke_range_db
    repeats = np.array(
        [
            strokes_alike(recording, item.home, item.at_samples, settings.strokes)
            >= settings.strokes.strokes_alike
            for item in evidence
        ]
    )
    clear = ~(heard & repeats[:, None]).any(axis=0)
    return np.outer(clear, clear)


def _from_hits(
    recording: Recording,
    onsets: OnsetDetector,
    usable: Sequence[bool],
    settings: MeasuringSettings,
    progress: Progress,
) -> Collected:
    rate = recording.sample_rate_hz
    found = [onset for onset in onsets.onsets() if usable[onset.track]]
    sources = find_sources(
        recording, merge_onsets(found, len(usable), rate, settings.events), settings.events
    )

    def read(steady: Recording, motions: tuple[Motion, ...]) -> Evidence:
        items: list[SourceEvidence] = []
        for number, source in enumerate(sources):
            moved: HitSource = moved_source(source, motions, rate)
            items.extend(
                hit_evidence(
                    steady,
                    moved,
                    settings.arrival,
                    settings.evidence,
                    well_heard=well_heard(source, sources, settings.evidence),
                    changes=settings.changes,
                )
            )
            progress("hits", (number + 1) / len(sources))
        return tuple(items)

    def changed(evidence: Evidence) -> tuple[Motion, ...]:
        lags = [item.hit_lags for item in evidence if item.hit_lags is not None]
        return hit_motions(lags, recording.n_samples / rate, settings.changes)

    return _settled(recording, read, changed, (), settings)


def _from_frames(
    recording: Recording,
    activity_db: Floats,
    sustained: NDArray[np.bool_],
    motions: tuple[Motion, ...],
    *,
    settings: MeasuringSettings,
    progress: Progress,
) -> Collected:
    def read(steady: Recording, motions: tuple[Motion, ...]) -> Evidence:
        del motions
        items = []
        for home, others in enumerate(sustained):
            if others.any():
                item, _ = continuous_evidence(
                    steady,
                    activity_db,
                    home,
                    [int(other) for other in np.flatnonzero(others)],
                    settings=settings.continuous,
                    edge_cap=settings.evidence.edge_cap,
                    changes=settings.changes,
                )
                items.append(item)
            progress("sustained sound", (home + 1) / len(sustained))
        return tuple(items)

    def changed(evidence: Evidence) -> tuple[Motion, ...]:
        lags = [pair for item in evidence for pair in item.pair_lags]
        duration_s = recording.n_samples / recording.sample_rate_hz
        return frame_motions(lags, len(sustained), duration_s, settings.changes)

    return _settled(recording, read, changed, motions, settings)


def _settled(
    recording: Recording,
    read: Callable[[Recording, tuple[Motion, ...]], Evidence],
    changed: Callable[[Evidence], tuple[Motion, ...]],
    motions: tuple[Motion, ...],
    settings: MeasuringSettings,
) -> Collected:
    """Read, and read again with the changes found so far taken back, until none is found."""
    for _ in range(settings.changes.most_rounds):
        steady: Recording = SteadyRecording(recording, motions) if motions else recording
        evidence = read(steady, motions)
        more = changed(evidence)
        if not more:
            break
        motions = joined(motions, more)
    else:
        evidence = read(SteadyRecording(recording, motions), motions)
    return Collected(evidence=evidence, motions=motions)
