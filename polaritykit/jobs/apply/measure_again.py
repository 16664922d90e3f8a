"""Check corrected copies again and hold them against the report they were made from.

Conventions: as in `polaritykit.jobs.apply.gains`; the copies' tracks carry the report's names.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from polaritykit.analysis import analyse
from polaritykit.audio.other_clock import Clock
from polaritykit.audio.session import open_session
from polaritykit.base.errors import InputError
from polaritykit.base.types import Progress
from polaritykit.decide.findings import TrackCorrection
from polaritykit.decide.worth import LEAST_SHIFT_S
from polaritykit.evidence.first_pass import pooled_spectra
from polaritykit.jobs.apply.file_jobs import FileJob
from polaritykit.jobs.apply.gains import Measured, OctaveGain, PairGain, octave_gains, pair_gains
from polaritykit.jobs.check.verdict import summarise
from polaritykit.recorders.open import open_again


@dataclass(frozen=True, kw_only=True)
class Remaining:
    """What a check of the copies still finds on one track."""

    name: str
    invert: bool
    #: How late it is against the anchor.
    late_ms: float


@dataclass(frozen=True, kw_only=True)
class MeasuredAgain:
    """What the copies show."""

    gains: tuple[PairGain, ...]
    octaves: tuple[OctaveGain, ...]
    #: What a check of the copies says first.
    headline: str
    #: What it would still set.
    remaining: tuple[Remaining, ...]


def measure_again(
    document: Mapping[str, Any],
    entries: Sequence[Mapping[str, Any]],
    *,
    jobs: Sequence[FileJob],
    sources: Sequence[Path],
    folder: Path,
    progress: Progress,
) -> MeasuredAgain:
    """Measure files and copies and compare.

    Parameters
    ----------
    document : mapping
        The report that was applied.
    entries : sequence of mapping
        What was done, track by track, as in ``applied.json``.
    jobs : sequence of FileJob
    sources : sequence of Path
        The jobs' files.
    folder : Path
        Where the copies lie.
    progress : callable
        Called with the stage and the share of it done.

    Returns
    -------
    MeasuredAgain

    Raises
    ------
    InputError
        When the files or copies cannot be opened as one session.
    """
    ignore = bool(document["session"].get("start_times_ignored"))
    targets = [folder / job.target for job in jobs]
    if any(job.clock is not None for job in jobs):
        span_s = _span_s(document)
        clocks = dict(zip(sources, (job.clock for job in jobs), strict=True))
        originals = open_again(list(sources), clocks, ignore_start_times=ignore, within_s=span_s)
        lined_up = {path: Clock(start_s=0.0) for path, job in zip(targets, jobs, strict=True) if job.clock}
        copies = open_again(targets, lined_up, ignore_start_times=ignore, within_s=span_s)
    else:
        originals = open_session(list(sources), ignore_start_times=ignore)
        copies = open_session(targets, ignore_start_times=ignore)
    # Files and channels stand in one order in all three.
    names = tuple(str(entry["name"]) for entry in entries)
    for session in (originals, copies):
        if len(session.tracks) != len(names):
            raise InputError(
                f"{session.folder} shows {len(session.tracks)} usable tracks, the report {len(names)}; "
                "run check again, then apply its report."
            )
    before = Measured(names=names, spectra=pooled_spectra(originals.recording))
    own = copies.recording.track_names
    anchor = document["corrections"].get("anchor")
    findings = analyse(
        copies.recording,
        linked=tuple((own[a], own[b]) for a, b in _links(document, names)),
        anchor=own[names.index(anchor)] if anchor in names else None,
        progress=progress,
    )
    after = Measured(names=names, spectra=findings.spectra)
    return MeasuredAgain(
        gains=pair_gains(document.get("pairs", ()), before, after, entries),
        octaves=octave_gains(before, after, entries),
        headline=str(summarise(findings)["headline"]),
        remaining=_remaining(names, findings.corrections.tracks),
    )


def _span_s(document: Mapping[str, Any]) -> tuple[float, float] | None:
    """Span that the report speaks of, after the reference's first sample."""
    start_s = document.get("span_start_s")
    return None if start_s is None else (start_s, start_s + document["session"]["duration_s"])


def _remaining(names: tuple[str, ...], tracks: Sequence[TrackCorrection]) -> tuple[Remaining, ...]:
    """Tracks that a check would still set by an amount worth setting."""
    least_ms = LEAST_SHIFT_S * 1e3
    found = [
        Remaining(name=name, invert=track.invert, late_ms=track.late_ms or 0.0)
        for name, track in zip(names, tracks, strict=True)
    ]
    return tuple(item for item in found if item.invert or abs(item.late_ms) >= least_ms)


def _links(document: Mapping[str, Any], names: tuple[str, ...]) -> list[tuple[int, int]]:
    """Linked pairs of the report, as places in the session."""
    partners = {track["name"]: track.get("linked_with") for track in document["tracks"]}
    found = [(a, names.index(partners[name])) for a, name in enumerate(names) if partners.get(name) in names]
    return [(a, b) for a, b in found if a < b]
