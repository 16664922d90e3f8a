"""The whole analysis: one pass over the audio, windows around hits and frames, decisions.

Composes the layers below and prints, plots and reads nothing itself.

Conventions: as in `polaritykit.decide.findings`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import log
from typing import Literal, TypedDict

import numpy as np
from numpy.typing import ArrayLike

from polaritykit.audio.array_recording import ArrayRecording
from polaritykit.base.errors import UsageError
from polaritykit.base.processes import in_processes
from polaritykit.base.track_names import is_overhead, linked_pairs
from polaritykit.base.types import Progress, Recording
from polaritykit.decide.agreement import Agreement, agree
from polaritykit.decide.conclusion import Conclusion, conclude, contradicted_tracks
from polaritykit.decide.corrections import choose_anchor, corrections_of, flips_of
from polaritykit.decide.find_copies import find_copies
from polaritykit.decide.find_sums import find_sums, with_sums
from polaritykit.decide.findings import (
    Corrections,
    Findings,
    PadStep,
    ServedSource,
    SourceArrival,
    SourceFinding,
    SumPeak,
    Voice,
)
from polaritykit.decide.from_evidence import scene_of
from polaritykit.decide.pair_evidence import AllEvidence, PairEvidence
from polaritykit.decide.pair_finding import pair_finding
from polaritykit.decide.scene import Copy, PrintedSum
from polaritykit.decide.served import served_sources
from polaritykit.decide.stage import decide
from polaritykit.decide.timing import sure_correlation
from polaritykit.decide.triggered import find_triggered, taken_back, with_triggered, without_triggered
from polaritykit.evidence.collect import collect
from polaritykit.evidence.first_pass import FirstPass, read_first_pass
from polaritykit.evidence.plan_limits import BeyondPlan, OffsetLimits, limit_evidence
from polaritykit.evidence.settings import Settings
from polaritykit.evidence.source import SourceEvidence
from polaritykit.evidence.spread import listened_s, spread
from polaritykit.evidence.voices import HeardVoice, hear_voices
from polaritykit.levels.headroom import (
    MOST_SUMMED,
    changed_blocks,
    corrected_blocks,
    sum_headroom_db,
    worst_sum_dbfs,
)
from polaritykit.spectra.pool import Spectra
from polaritykit.spectra.session_sum import KitSum, octave_sums
from polaritykit.struck.first_arrival import LATEST_MS
from polaritykit.sustained.activity import frame_samples

__all__ = ["Settings", "analyse", "analyse_arrays"]

#: Tracks that are struck sources' own mics: from so many on it is a kit.
_KIT_HOMES = 3


def _quiet(stage: str, share: float) -> None:
    """No progress wanted."""
    del stage, share


def analyse_arrays(
    tracks: Mapping[str, ArrayLike], *, sample_rate_hz: int, settings: Settings | None = None
) -> Findings:
    """Analyse tracks that are in memory.

    Parameters
    ----------
    tracks : mapping of str to array_like, shape (n_samples,)
        Name to samples, full scale 1.0; all on one clock.
    sample_rate_hz : int
    settings : Settings, optional

    Returns
    -------
    Findings

    Raises
    ------
    UsageError
        Fewer than two tracks, or arrays that are no audio.

    Examples
    --------
    The second track hears noise 48 samples (1 ms) later and upside down:

    >>> import numpy as np
    >>> noise = np.random.default_rng(1).standard_normal(96048)
    >>> findings = analyse_arrays({"near": noise[48:], "far": -noise[:-48]}, sample_rate_hz=48000)
    >>> pair = findings.pairs[0]
    >>> round(pair.offset_ms, 3), pair.polarity
    (1.0, 'inverted')
    """
    return analyse(ArrayRecording(tracks, sample_rate_hz), settings=settings)


def analyse(
    recording: Recording,
    *,
    settings: Settings | None = None,
    linked: tuple[tuple[str, str], ...] | None = None,
    anchor: str | None = None,
    purpose: Literal["kit", "pair", "general"] | None = None,
    offset_limits: OffsetLimits | None = None,
    progress: Progress = _quiet,
) -> Findings:
    """Analyse every pair of a recording.

    Parameters
    ----------
    recording : Recording
        From `polaritykit.audio.session.open_session` or `ArrayRecording`.
    settings : Settings, optional
    linked : pairs of names, optional
        Stereo pairs; read from the names when left out.
    anchor : str, optional
        Track that keeps its timing; chosen when left out.
    purpose : {"kit", "pair", "general"}, optional
        Chosen from the tracks when left out.
    offset_limits : mapping of (name, name) to (low, high), optional
        Offsets in ms that are possible at all, as from `layout.possible_offsets`; others are not believed.
    progress : callable, optional
        Called with the stage and the share of it done.

    Returns
    -------
    Findings

    Raises
    ------
    UsageError
        Fewer than two tracks, or an anchor that is no track.
    """
    settings = settings or Settings()
    names = recording.track_names
    _check(names, anchor)
    linked = linked_pairs(names) if linked is None else linked
    recording = spread(recording, settings.listen_s)
    first = read_first_pass(recording, settings, progress)
    sums = tuple(one for one in find_sums(first.spectra, first.usable) if names[one.track] != anchor)
    first = replace(first, sums=frozenset(one.track for one in sums))
    collected = collect(recording, first, settings=settings, progress=progress)
    # What a sum of others hears is no evidence: it hears it in them.
    evidence = taken_back(collected.evidence, [one.track for one in sums])
    beyond: tuple[BeyondPlan, ...] = ()
    if offset_limits:
        limited = limit_evidence(evidence, names, offset_limits, settings.plan_latency_ms)
        evidence, beyond = limited.evidence, limited.beyond
    triggered = find_triggered(recording, evidence)
    evidence = without_triggered(evidence, triggered)
    agreement = _agree(evidence)
    pairs = _conclude_all(names, evidence, agreement, first.spectra)
    pairs = with_triggered(recording, evidence, triggered, pairs, first.spectra)
    pairs = with_sums(pairs, sums, names)
    chosen = choose_anchor(names, pairs, linked) if anchor is None else names.index(anchor)
    copies = find_copies(
        recording,
        first.activity_db,
        np.array(["silent" not in track.faults for track in first.levels]),
        anchor=chosen,
        frame_samples=frame_samples(recording.n_samples, recording.sample_rate_hz),
    )
    copies = tuple(copy for copy in copies if _believed(copy, pairs, first.usable, LATEST_MS * 1e-3))
    voices = hear_voices(recording, first.activity_db, _may_hold_a_voice(first, evidence))
    judged = _Judged(
        evidence=evidence,
        agreement=agreement,
        pairs=pairs,
        linked=linked,
        anchor=chosen,
        copies=copies,
        voices=voices,
        sums=sums,
    )
    corrections, pads = _decide(recording, first, judged)
    return Findings(
        track_names=names,
        sample_rate_hz=recording.sample_rate_hz,
        n_samples=recording.n_samples,
        listened_s=listened_s(recording),
        purpose=purpose or _purpose(names, evidence, linked),
        levels=first.levels,
        linked=linked,
        pairs=tuple(
            pair_finding(
                names,
                pair,
                conclusion,
                spectra=first.spectra,
                levels=first.levels,
                motions=collected.motions,
                linked=linked,
                corrections=corrections,
                copies=copies,
                sample_rate_hz=recording.sample_rate_hz,
            )
            for pair, conclusion in pairs.items()
        ),
        corrections=corrections,
        pads=pads,
        spectra=first.spectra,
        motions=collected.motions,
        beyond_plan=beyond,
        settings=settings,
        voices=tuple(
            Voice(
                track=names[voice.track],
                polarity="upright" if voice.sign > 0 else "upside_down",
                confidence=voice.confidence,
                figure=voice.figure,
                figure_std=voice.figure_std,
            )
            for voice in voices
        ),
        **_outcome(recording, first, evidence, corrections, linked=linked),
    )


def _believed(
    copy: Copy, pairs: dict[tuple[int, int], Conclusion], usable: list[bool], searched_s: float
) -> bool:
    """Whether evidence lets a copy stand: hum is coherent too, and a plan may forbid the offset."""
    a, b = sorted((copy.track, copy.original))
    compared = usable[a] and usable[b] and abs(copy.late_s) <= searched_s
    return pairs[a, b].related or not (compared or pairs[a, b].relation in ("hum", "crosstalk"))


@dataclass(frozen=True, kw_only=True)
class _Judged:
    """What is known of signs, offsets and copies when one set of settings is made for the session."""

    evidence: tuple[SourceEvidence, ...]
    agreement: Agreement | None
    pairs: dict[tuple[int, int], Conclusion]
    linked: tuple[tuple[str, str], ...]
    anchor: int | None
    copies: tuple[Copy, ...]
    voices: tuple[HeardVoice, ...]
    sums: tuple[PrintedSum, ...]


def _may_hold_a_voice(first: FirstPass, evidence: tuple[SourceEvidence, ...]) -> list[int]:
    """Tracks that sound; of a kit, those that are no drum's own mic (speech has its sudden sounds too)."""
    struck = {item.home for item in evidence if item.kind == "hits"}
    drums = struck if len(struck) >= _KIT_HOMES else set()
    return [track for track, usable in enumerate(first.usable) if usable and track not in drums]


def _decide(
    recording: Recording, first: FirstPass, judged: _Judged
) -> tuple[Corrections, tuple[PadStep, ...]]:
    """Make one consistent set of settings, and tell level steps like pads."""
    names = recording.track_names
    flips = flips_of(
        names,
        judged.pairs,
        agreement=judged.agreement,
        linked=judged.linked,
        anchor=judged.anchor,
        copies=judged.copies,
        upright={voice.track: voice.sign * _log_odds(voice.confidence) for voice in judged.voices},
    )
    scene = scene_of(
        recording,
        judged.evidence,
        judged.pairs,
        first.spectra,
        signs=np.array([-1.0 if flip.invert else 1.0 for flip in flips]),
        sign_known=np.array([flip.known for flip in flips]),
        usable=np.array(first.usable),
        linked=tuple((names.index(a), names.index(b)) for a, b in judged.linked),
        anchor=judged.anchor,
        frame_samples=frame_samples(recording.n_samples, recording.sample_rate_hz),
        copies=judged.copies,
        onsets=first.onsets.onsets(),
        sums=judged.sums,
    )
    decision = decide(scene, tuple(t for t, flip in enumerate(flips) if flip.invert))
    corrections = corrections_of(
        names,
        judged.pairs,
        flips=flips,
        shifts=decision.shifts,
        anchor=judged.anchor,
        sample_rate_hz=recording.sample_rate_hz,
        by_own_strokes=[sound.home for sound in scene.unplaced],
    )
    pads = tuple(
        PadStep(
            louder=names[step.louder],
            quieter=names[step.quieter],
            step_db=step.step_db,
            pad_db=step.pad_db,
        )
        for step in decision.steps
    )
    return corrections, pads


def _log_odds(confidence: float) -> float:
    return log(confidence / (1.0 - confidence))


def _check(names: tuple[str, ...], anchor: str | None) -> None:
    """Refuse what cannot be analysed."""
    if len(names) < 2:
        raise UsageError(f"Only {len(names)} track was given; a comparison needs two or more.")
    if anchor is not None and anchor not in names:
        raise UsageError(
            f"The anchor {anchor!r} is no track of this session; choose one of {', '.join(names)}."
        )


def _conclude_all(
    names: tuple[str, ...],
    evidence: tuple[SourceEvidence, ...],
    agreement: Agreement | None,
    spectra: Spectra,
) -> dict[tuple[int, int], Conclusion]:
    everything = AllEvidence(sources=evidence)
    contradicted = contradicted_tracks(everything, agreement)

    def of_first(a: int) -> list[tuple[tuple[int, int], Conclusion]]:
        pairs = [PairEvidence(evidence=everything, a=a, b=b) for b in range(a + 1, len(names))]
        told = (
            conclude(pair, agreement, names=names, spectra=spectra, contradicted=contradicted)
            for pair in pairs
        )
        return [((a, pair.b), one) for pair, one in zip(pairs, told, strict=True)]

    return {pair: one for row in in_processes(of_first, range(len(names))) for pair, one in row}


class _Outcome(TypedDict):
    sources: tuple[SourceFinding, ...]
    kit_sum: KitSum
    served: tuple[ServedSource, ...]
    sum_peak: SumPeak | None


def _outcome(
    recording: Recording,
    first: FirstPass,
    evidence: tuple[SourceEvidence, ...],
    corrections: Corrections,
    *,
    linked: tuple[tuple[str, str], ...],
) -> _Outcome:
    """Say what the corrections do to the sources and to the sum of all tracks."""
    sources = tuple(
        _source_finding(item, recording.track_names, recording.sample_rate_hz)
        for item in evidence
        if item.apart and (item.kind == "hits" or item.known.any())
    )
    return _Outcome(
        sources=sources,
        kit_sum=octave_sums(
            first.spectra,
            [track.invert for track in corrections.tracks],
            [track.delay_ms for track in corrections.tracks],
        ),
        served=served_sources(sources, corrections, linked),
        sum_peak=_sum_peak(recording, first, corrections),
    )


def _sum_peak(
    recording: Recording,
    first: FirstPass,
    corrections: Corrections,
) -> SumPeak | None:
    """Peak of the corrected sum, made where the session is not too long to be read again."""
    bound = worst_sum_dbfs(track.true_peak_dbtp for track in first.levels)
    if listened_s(recording) is not None or len(first.levels) * recording.n_samples > MOST_SUMMED:
        return None if bound is None else SumPeak(dbtp=bound, is_bound=True)
    inverts = [track.invert for track in corrections.tracks]
    delays = [track.delay_samples for track in corrections.tracks]
    if first.plain_sum is None:
        headroom = sum_headroom_db(corrected_blocks(recording, inverts, delays))
    else:
        headroom = sum_headroom_db(changed_blocks(recording, first.plain_sum, inverts, delays))
    return None if headroom is None else SumPeak(dbtp=-headroom, is_bound=False)


def _agree(evidence: tuple[SourceEvidence, ...]) -> Agreement | None:
    if not evidence:
        return None
    return agree(
        [item.log_odds for item in evidence],
        [item.home for item in evidence],
        [item.cuts for item in evidence],
    )


def _purpose(
    names: tuple[str, ...], evidence: tuple[SourceEvidence, ...], linked: tuple[tuple[str, str], ...]
) -> Literal["kit", "pair", "general"]:
    homes = {item.home for item in evidence if item.kind == "hits"}
    if len(names) > 3 and len(homes) >= 2 and (any(is_overhead(name) for name in names) or len(homes) >= 3):
        return "kit"
    return "pair" if len(names) == 2 and linked else "general"


def _source_finding(item: SourceEvidence, names: tuple[str, ...], sample_rate_hz: int) -> SourceFinding:
    by_correlation = sure_correlation(item)[item.home] & ~item.known[item.home]

    def arrival(track: int) -> SourceArrival:
        known = bool(item.known[item.home, track] or by_correlation[track]) or track == item.home
        read = item.direct if item.direct is not None and by_correlation[track] else item
        return SourceArrival(
            track=names[track],
            offset_ms=float(read.offset_s[item.home, track]) * 1e3 if known else None,
            offset_std_ms=float(read.std_s[item.home, track]) * 1e3 if known else None,
            level_db=float(item.level_db[track]),
        )

    return SourceFinding(
        name=names[item.home],
        home=names[item.home],
        kind=item.kind,
        hits=item.n_found,
        times_s=tuple(float(at) / sample_rate_hz for at in item.at_samples),
        arrivals=tuple(arrival(track) for track in range(len(names))),
    )
