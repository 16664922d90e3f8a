"""Two tracks judged: what they are, whether they are wired alike, and what follows for the sum of both.

Wiring, offset, the side to flip and pads are those of an analysis of the two tracks, as `check` makes it, so
that the two commands never disagree.  Only the sign of a stereo pair that an analysis leaves open is asked of
the octaves.

Conventions: as in `polaritykit.jobs.pair.measure`.
"""

from polaritykit.analysis import analyse
from polaritykit.base.air import speed_of_sound
from polaritykit.base.errors import UsageError
from polaritykit.base.types import Recording
from polaritykit.decide.findings import CauseCode, Findings, PairFinding
from polaritykit.decide.worth import LEAST_SHIFT_S
from polaritykit.jobs.pair.findings import (
    CorrelationHistory,
    OffsetMethod,
    OneSetting,
    PairKind,
    StereoFindings,
    Wiring,
)
from polaritykit.jobs.pair.kind import kind_of, mixed_signs
from polaritykit.jobs.pair.low_cut import find_low_cut
from polaritykit.jobs.pair.measure import Measured, measure, octaves_of, sums_of
from polaritykit.jobs.pair.mid_side import DecodedRecording, mid_of
from polaritykit.jobs.pair.octave_sign import octave_wiring
from polaritykit.jobs.pair.remarks import remarks

#: What the octaves of a stereo pair are not asked against: it is no sound, or evidence speaks both ways.
_SETTLED_OPEN: frozenset[CauseCode] = frozenset(
    {"crosstalk", "hum", "sources_disagree", "own_source_objects", "narrow"}
)


def judge_pair(recording: Recording, kind: PairKind | None = None) -> StereoFindings:
    """Judge two tracks.

    Parameters
    ----------
    recording : Recording
        Two tracks; of a stereo pair left and right.
    kind : optional
        What they are; told from names and sound when left out.

    Returns
    -------
    StereoFindings

    Raises
    ------
    UsageError
        When there are not two tracks.
    """
    if len(recording.track_names) != 2:
        raise UsageError(
            f"A pair has two tracks, not {len(recording.track_names)}: name two mono files, or one stereo "
            "file."
        )
    names = (recording.track_names[0], recording.track_names[1])
    findings = analyse(recording)
    pair = findings.pairs[0]
    # Of a steady one: the mean of a short take of music is sound.
    dc = tuple(track.dc_offset * ("dc_offset" in track.faults) for track in findings.levels)
    measured = measure(recording, dc)
    found, reason = kind_of(names, pair, measured.tiles, kind)
    if found == "mid-side":
        power = measured.whole.power.sum(axis=1)
        decoded = DecodedRecording(recording, mid_of(names, (float(power[0]), float(power[1]))))
        measured = measure(decoded, decoded.decoded_dc(dc))
        names = decoded.track_names
        wiring, offset_ms, std_ms = Wiring(polarity="unclear", mixed=True), None, None
    else:
        wiring, offset_ms, std_ms = _wiring(pair, measured, stereo=found == "stereo")
    octaves = octaves_of(measured, offset_ms)
    worst = _worst(measured.history)
    inverted = wiring.polarity == "inverted"
    sums = sums_of(measured.whole)
    judged = StereoFindings(
        reference=names[0],
        other=names[1],
        kind=found,
        kind_reason=reason,
        wiring=wiring,
        flip=_flipped(findings) if inverted else None,
        setting=_setting(findings) if found in ("one-source", "two-sources") else None,
        answer=None if found == "mid-side" else pair,
        offset_ms=offset_ms,
        offset_std_ms=std_ms,
        offset_method=None if offset_ms is None else _method(pair),
        path_difference_m=None if offset_ms is None else abs(offset_ms) / 1000 * speed_of_sound().speed_mps,
        level_difference_db=sums["level_difference_db"],
        correlation=sums["correlation"],
        mono_sum_loss_db=sums["mono_sum_loss_db"],
        mono_sum_loss_flipped_db=sums["mono_sum_loss_flipped_db"],
        worst_moment_s=None if worst is None else (worst + 0.5) * measured.history.window_s,
        worst_moment_loss_db=None if worst is None else measured.history.mono_sum_loss_db[worst],
        low_cut=None
        if offset_ms is None or wiring.polarity == "unclear"
        else find_low_cut(measured.whole, offset_s=offset_ms * 1e-3, inverted=inverted),
        pad_db=findings.pads[0].pad_db if findings.pads and found != "mid-side" else None,
        octaves=octaves,
        history=measured.history,
    )
    return remarks(judged, recorded=recording.track_names, raw_offset_ms=pair.offset_ms)


def _wiring(
    pair: PairFinding, measured: Measured, *, stereo: bool
) -> tuple[Wiring, float | None, float | None]:
    """Wiring, and offset with its uncertainty in ms."""
    offset_ms, std_ms = pair.offset_ms, pair.offset_std_ms
    if stereo and mixed_signs(measured.tiles, pair.offset_ms):
        return Wiring(polarity="unclear", mixed=True), offset_ms, std_ms
    if pair.polarity != "unclear":
        found = Wiring(polarity=pair.polarity, basis="sources", confidence=pair.confidence)
        return found, offset_ms, std_ms
    settled_open = pair.cause is not None and pair.cause.code in _SETTLED_OPEN
    if not stereo or settled_open or pair.relation not in (None, "acoustic"):
        return Wiring(polarity="unclear"), offset_ms, std_ms
    by_octaves, octaves_ms, octaves_std_ms = octave_wiring(measured)
    if offset_ms is None and by_octaves.basis == "octaves":
        return by_octaves, octaves_ms, octaves_std_ms
    return by_octaves, offset_ms, std_ms


def _flipped(findings: Findings) -> str:
    """Track that a check of the two flips; the second of a pair whose sign it leaves open."""
    flipped = [track.name for track in findings.corrections.tracks if track.invert]
    if flipped:
        return flipped[0]
    anchor = findings.corrections.anchor
    return next(name for name in reversed(findings.track_names) if name != anchor)


def _setting(findings: Findings) -> OneSetting | None:
    """Shift that a check of the two sets."""
    for track in findings.corrections.tracks:
        if abs(track.shift_ms) >= LEAST_SHIFT_S * 1e3:
            return OneSetting(
                track=track.name, shift_ms=track.shift_ms, gain_db=findings.pairs[0].advice.gain_db
            )
    return None


def _method(pair: PairFinding) -> OffsetMethod:
    if pair.offset_kind == "direct_correlation":
        return "direct correlation"
    return "first arrivals" if pair.method == "hits" and pair.offset_ms is not None else "spectra"


def _worst(history: CorrelationHistory) -> int | None:
    heard = [index for index, loss in enumerate(history.mono_sum_loss_db) if loss is not None]
    return max(heard, key=lambda index: history.mono_sum_loss_db[index] or 0.0, default=None)
