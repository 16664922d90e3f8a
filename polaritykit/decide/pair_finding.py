"""One pair's conclusion to its finding: what follows of it for the sum, what to do, what changed in the take.

Conventions: as in `polaritykit.decide.findings`.
"""

import math

from polaritykit.base.hearing import HEARING_HZ
from polaritykit.changes.motion import Motion, pair_changes
from polaritykit.decide.advice import advise
from polaritykit.decide.conclusion import Conclusion
from polaritykit.decide.findings import Corrections, PairCopy, PairFinding
from polaritykit.decide.pair_setting import session_advice
from polaritykit.decide.scene import Copy
from polaritykit.levels.meter import TrackLevels
from polaritykit.spectra.comb import notch_depth_db, notches_hz
from polaritykit.spectra.pair_sum import band_gains
from polaritykit.spectra.pool import Spectra

#: An offset shorter than this has its first notch above all hearing.
_LEAST_OFFSET_MS = 0.02
_MOST_NOTCHES = 40


def pair_finding(
    names: tuple[str, ...],
    pair: tuple[int, int],
    conclusion: Conclusion,
    *,
    spectra: Spectra,
    levels: tuple[TrackLevels, ...],
    motions: tuple[Motion, ...],
    linked: tuple[tuple[str, str], ...],
    corrections: Corrections,
    copies: tuple[Copy, ...],
    sample_rate_hz: int,
) -> PairFinding:
    """Add to a conclusion what follows from it: the sum, its notches, the advice, the changes.

    Parameters
    ----------
    names : tuple of str
    pair : (int, int)
        Tracks in session order.
    conclusion : Conclusion
    spectra : Spectra
    levels : tuple of TrackLevels
    motions : tuple of Motion
        What tracks did during the take.
    linked : pairs of names
    corrections : Corrections
        The session's setting, which the advice shows.
    copies : tuple of Copy
    sample_rate_hz : int

    Returns
    -------
    PairFinding
    """
    a, b = pair
    offset_ms = conclusion.offset_s * 1e3 if conclusion.offset_s is not None else None
    band = conclusion.main.band_hz if conclusion.main is not None else None
    gains = (
        band_gains(spectra.pair(a, b), offset_ms=offset_ms, band_hz=band)
        if offset_ms is not None and band
        else None
    )
    notches, depth_db = _notches(conclusion, offset_ms)
    copy = next((copy for copy in copies if {copy.track, copy.original} == {a, b}), None)
    is_copy = copy is not None or bool(
        {levels[a].duplicate_of, levels[b].duplicate_of} & {names[a], names[b]}
    )
    alone = advise(conclusion, gains, linked=(names[a], names[b]) in linked or (names[b], names[a]) in linked)
    found = pair_changes(names, pair, offset_ms, motions)
    related = conclusion.related or is_copy
    return PairFinding(
        reference=names[a],
        other=names[b],
        related=related,
        relation="copy" if is_copy else conclusion.relation,
        offset_ms=offset_ms,
        offset_std_ms=conclusion.std_s * 1e3 if conclusion.std_s is not None else None,
        offset_kind=conclusion.offset_kind,
        polarity=conclusion.polarity,
        confidence=conclusion.confidence,
        grade=None
        if conclusion.polarity == "unclear"
        else ("strong" if conclusion.strong else "single-source"),
        method=conclusion.main.kind if conclusion.main is not None else None,
        cause=conclusion.cause,
        copy=None if copy is None else _told(copy, names, sample_rate_hz),
        sources=conclusion.sources,
        level_difference_db=_difference_db(levels[a], levels[b]),
        notches_hz=notches,
        notch_depth_db=depth_db,
        gains=gains,
        drift_ppm=found.drift_ppm if related else None,
        changes=found.changes if related else (),
        holds=found.holds if related else (),
        advice=session_advice(
            conclusion,
            alone,
            corrections.tracks[a],
            corrections.tracks[b],
            spectra=spectra.pair(a, b),
        ),
    )


def _told(copy: Copy, names: tuple[str, ...], sample_rate_hz: int) -> PairCopy:
    """Name a copy, its original and its lateness."""
    later, earlier = (copy.track, copy.original) if copy.late_s >= 0.0 else (copy.original, copy.track)
    return PairCopy(
        copy=names[later],
        original=names[earlier],
        late_samples=abs(copy.late_s) * sample_rate_hz,
        filtered=copy.filtered,
        inverted=copy.inverted,
    )


def _difference_db(a: TrackLevels, b: TrackLevels) -> float | None:
    one, other = _sound_power(a), _sound_power(b)
    return 10.0 * math.log10(other / one) if one > 0.0 and other > 0.0 else None


def _sound_power(levels: TrackLevels) -> float:
    """Mean square about the mean: a constant voltage is no sound."""
    power = 0.0 if levels.rms_dbfs is None else 10.0 ** (levels.rms_dbfs / 10.0)
    rest = power - levels.dc_offset**2
    # Nothing but rounding is left of a track that is constant.
    return rest if rest > 1e-9 * power else 0.0


def _notches(conclusion: Conclusion, offset_ms: float | None) -> tuple[tuple[float, ...], float | None]:
    """Notches of the sum and their depth, both of the source that the offset belongs to."""
    if offset_ms is None or abs(offset_ms) < _LEAST_OFFSET_MS or conclusion.polarity == "unclear":
        return (), None
    inverted = conclusion.polarity == "inverted"
    # A notch at f moves by f·σ/τ, and the next peak lies 1/(2τ) away: told as far as that is half of it.
    doubt_ms = 1e3 * (conclusion.std_s or 0.0)
    up_to_hz = min(HEARING_HZ[1], 250.0 / doubt_ms) if doubt_ms else HEARING_HZ[1]
    found = notches_hz(abs(offset_ms), inverted, up_to_hz)[:_MOST_NOTCHES]
    depth = notch_depth_db(conclusion.main.level_difference_db) if conclusion.main is not None else None
    return tuple(float(f) for f in found), depth
