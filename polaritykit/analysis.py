"""The whole analysis: one pass over the audio, windows around hits and frames, decisions.

Composes the layers below and prints, plots and reads nothing itself.

Conventions: as in `polaritykit.findings`.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import combinations
from typing import Any, Literal

from numpy.typing import ArrayLike

from polaritykit.advice import advise
from polaritykit.agreement import Agreement, agree
from polaritykit.comb import notch_depth_db, notches_hz
from polaritykit.continuous import ActivityMeter
from polaritykit.corrections import choose_anchor, correct
from polaritykit.errors import UsageError
from polaritykit.events import OnsetDetector
from polaritykit.evidence import SourceEvidence
from polaritykit.findings import Corrections, Findings, PairFinding, SourceArrival, SourceFinding, SumPeak
from polaritykit.gather import gather
from polaritykit.headroom import corrected_blocks, sum_headroom_db, worst_sum_dbfs
from polaritykit.kit_sum import octave_sums, served_sources
from polaritykit.levels import LevelMeter
from polaritykit.limits import OffsetLimits, limit_evidence
from polaritykit.motion import Motion, motion_notes, pair_changes
from polaritykit.naming import is_overhead, linked_pairs
from polaritykit.pairs import Conclusion, conclude
from polaritykit.recording import ArrayRecording
from polaritykit.records import Floats, Recording, TrackLevels
from polaritykit.settings import KitSumSettings, Settings
from polaritykit.spectra import Spectra, SpectrumPool, hop_for
from polaritykit.sum_targets import track_targets
from polaritykit.summing import band_gains

Progress = Callable[[str, float], None]
#: Samples handled at a time.
_BLOCK = 1 << 17
#: Frames pooled into the spectra: a few minutes' worth, spread over the take, tell a take of any length.
_MOST_FRAMES = 2048


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
        From `polaritykit.audio.open_session` or `ArrayRecording`.
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
    if len(names) < 2:
        raise UsageError(f"Only {len(names)} track was given; a comparison needs two or more.")
    if anchor is not None and anchor not in names:
        raise UsageError(
            f"The anchor {anchor!r} is no track of this session; choose one of {', '.join(names)}."
        )
    linked = linked_pairs(names) if linked is None else linked
    levels, spectra, onsets, activity_db = _one_pass(recording, settings, progress)
    usable = [not {"silent", "duplicate"} & set(track.faults) for track in levels]
    gathered = gather(recording, onsets, activity_db, usable, settings=settings, progress=progress)
    evidence, motions = gathered.evidence, gathered.motions
    notes = motion_notes(names, motions)
    if offset_limits:
        limited = limit_evidence(evidence, names, offset_limits, settings.limits)
        evidence, notes = limited.evidence, notes + limited.notes
    agreement = _agree(evidence, settings)
    pairs = {
        (a, b): conclude(
            a,
            b,
            evidence=evidence,
            agreement=agreement,
            names=names,
            spectra=spectra,
            settings=settings.pairs,
            signs=settings.agreement,
        )
        for a, b in combinations(range(len(names)), 2)
    }
    chosen = names.index(anchor) if anchor is not None else choose_anchor(names, pairs, linked)
    corrections = correct(
        names,
        pairs,
        evidence=evidence,
        agreement=agreement,
        linked=linked,
        anchor=chosen,
        sample_rate_hz=recording.sample_rate_hz,
        settings=settings.advice,
        signs=settings.agreement,
        targets=track_targets(spectra, [index for index, is_good in enumerate(usable) if is_good]),
        alignment=settings.alignment,
    )
    findings = tuple(
        _changed(
            _pair_finding(
                names, a, b, conclusion, spectra=spectra, levels=levels, linked=linked, settings=settings
            ),
            names,
            (a, b),
            motions,
        )
        for (a, b), conclusion in pairs.items()
    )
    sources = tuple(
        _source_finding(item, names, recording.sample_rate_hz)
        for item in evidence
        if item.kind == "hits" or item.known.any()
    )
    return Findings(
        track_names=names,
        sample_rate_hz=recording.sample_rate_hz,
        n_samples=recording.n_samples,
        purpose=purpose or _purpose(names, evidence, linked),
        levels=levels,
        linked=linked,
        sources=sources,
        pairs=findings,
        corrections=corrections,
        spectra=spectra,
        notes=notes,
        kit_sum=octave_sums(
            spectra,
            [track.invert for track in corrections.tracks],
            [track.delay_ms for track in corrections.tracks],
            settings.kit_sum,
        ),
        served=served_sources(sources, corrections, linked, settings.kit_sum),
        sum_peak=_sum_peak(recording, levels, corrections, settings.kit_sum),
    )


def _sum_peak(
    recording: Recording,
    levels: tuple[TrackLevels, ...],
    corrections: Corrections,
    settings: KitSumSettings,
) -> SumPeak | None:
    """Peak of the corrected sum, made where the session is not too long to be read again."""
    bound = worst_sum_dbfs(track.true_peak_dbtp for track in levels)
    if len(levels) * recording.n_samples > settings.most_summed:
        return None if bound is None else SumPeak(dbtp=bound, is_bound=True)
    inverts = [track.invert for track in corrections.tracks]
    delays = [track.delay_samples for track in corrections.tracks]
    headroom = sum_headroom_db(corrected_blocks(recording, inverts, delays))
    return None if headroom is None else SumPeak(dbtp=-headroom, is_bound=False)


def fft_size_for(n_samples: int, sample_rate_hz: int, settings: Settings) -> int:
    """Frame of the pooled spectra: as set, doubled at double rates, shorter in a short take."""
    size = settings.fft_size * (2 if sample_rate_hz > 50_000 else 1) * (2 if sample_rate_hz > 100_000 else 1)
    while size > 256 and size * 4 > n_samples:
        size //= 2
    return size


def pooled_spectra(recording: Recording, settings: Settings | None = None) -> Spectra:
    """Pool the spectra of a whole recording, as an analysis does."""
    pool = _pool(recording, settings or Settings())
    for _, block in recording.blocks(_BLOCK):
        pool.update(block)
    return pool.result()


def _pool(recording: Recording, settings: Settings) -> SpectrumPool:
    rate, n_samples = recording.sample_rate_hz, recording.n_samples
    size = fft_size_for(n_samples, rate, settings)
    return SpectrumPool(
        len(recording.track_names), rate, size, hop_samples=hop_for(n_samples, size, _MOST_FRAMES)
    )


def _one_pass(
    recording: Recording, settings: Settings, progress: Progress
) -> tuple[tuple[TrackLevels, ...], Spectra, OnsetDetector, Floats]:
    """Everything that needs all samples, each read once."""
    names, rate, n_samples = recording.track_names, recording.sample_rate_hz, recording.n_samples
    meter = LevelMeter(names, rate, settings.levels)
    onsets = OnsetDetector(len(names), rate, settings.events)
    activity = ActivityMeter(len(names), n_samples, rate, settings.continuous)
    pool = _pool(recording, settings)
    for start, block in recording.blocks(_BLOCK):
        for consumer in (meter, onsets, activity, pool):
            consumer.update(block)
        progress("listening", min(1.0, (start + block.shape[1]) / max(n_samples, 1)))
    return meter.result(), pool.result(), onsets, activity.levels_db()


def _agree(evidence: tuple[SourceEvidence, ...], settings: Settings) -> Agreement | None:
    if not evidence:
        return None
    return agree([item.log_odds for item in evidence], [item.home for item in evidence], settings.agreement)


def _purpose(
    names: tuple[str, ...], evidence: tuple[SourceEvidence, ...], linked: tuple[tuple[str, str], ...]
) -> Literal["kit", "pair", "general"]:
    homes = {item.home for item in evidence if item.kind == "hits"}
    if len(names) > 3 and len(homes) >= 2 and (any(is_overhead(name) for name in names) or len(homes) >= 3):
        return "kit"
    return "pair" if len(names) == 2 and linked else "general"


def _pair_finding(
    names: tuple[str, ...],
    a: int,
    b: int,
    conclusion: Conclusion,
    *,
    spectra: Spectra,
    levels: tuple[TrackLevels, ...],
    linked: tuple[tuple[str, str], ...],
    settings: Settings,
) -> PairFinding:
    """Add to a conclusion what follows from it: the sum, its notches, the advice."""
    pair = spectra.pair(a, b)
    offset_ms = conclusion.offset_s * 1e3 if conclusion.offset_s is not None else None
    band = conclusion.main.band_hz if conclusion.main is not None else None
    gains = band_gains(pair, offset_ms=offset_ms, band_hz=band) if offset_ms is not None and band else None
    level_a, level_b = levels[a].rms_dbfs, levels[b].rms_dbfs
    difference = level_b - level_a if level_a is not None and level_b is not None else None
    inverted = conclusion.polarity == "inverted"
    notches: tuple[float, ...] = ()
    depth = None
    if offset_ms is not None and abs(offset_ms) >= 0.02 and conclusion.polarity != "unclear":
        notches = tuple(float(f) for f in notches_hz(abs(offset_ms), inverted, 20_000.0)[:40])
        # The notches are those of the source that the offset belongs to: so is their depth.
        depth = notch_depth_db(conclusion.main.level_difference_db) if conclusion.main is not None else None
    is_copy = {levels[a].duplicate_of, levels[b].duplicate_of} & {names[a], names[b]}
    return PairFinding(
        reference=names[a],
        other=names[b],
        related=conclusion.related or bool(is_copy),
        relation="copy" if is_copy else conclusion.relation,
        offset_ms=offset_ms,
        offset_std_ms=conclusion.std_s * 1e3 if conclusion.std_s is not None else None,
        polarity=conclusion.polarity,
        confidence=conclusion.confidence,
        grade=None
        if conclusion.polarity == "unclear"
        else ("strong" if conclusion.strong else "single-source"),
        method=conclusion.main.kind if conclusion.main is not None else None,
        reason="one track is a copy of the other" if is_copy else conclusion.reason,
        sources=conclusion.sources,
        level_difference_db=difference,
        notches_hz=notches,
        notch_depth_db=depth,
        gains=gains,
        drift_ppm=None,
        changes=(),
        advice=advise(
            conclusion,
            gains,
            linked=(names[a], names[b]) in linked or (names[b], names[a]) in linked,
            settings=settings.advice,
        ),
    )


def _changed(
    finding: PairFinding, names: tuple[str, ...], pair: tuple[int, int], motions: tuple[Motion, ...]
) -> PairFinding:
    """Add to a related pair what its tracks did during the take."""
    if not finding.related:
        return finding
    found = pair_changes(names, pair, finding.offset_ms, motions)
    if found.remark is None:
        return finding
    return replace(
        finding,
        drift_ppm=found.drift_ppm,
        changes=found.changes,
        reason="; ".join(part for part in (finding.reason, found.remark) if part),
        advice=replace(finding.advice, why=f"{finding.advice.why}; {found.remark}"),
    )


def _source_finding(item: SourceEvidence, names: tuple[str, ...], sample_rate_hz: int) -> SourceFinding:
    def arrival(track: int) -> SourceArrival:
        known = bool(item.known[item.home, track]) or track == item.home
        return SourceArrival(
            track=names[track],
            offset_ms=float(item.offset_s[item.home, track]) * 1e3 if known else None,
            offset_std_ms=float(item.std_s[item.home, track]) * 1e3 if known else None,
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


def settings_summary(settings: Settings) -> dict[str, Any]:
    """All thresholds as plain values, for the report."""
    from dataclasses import asdict

    return asdict(settings)
