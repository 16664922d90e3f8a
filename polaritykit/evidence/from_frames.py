"""Frames of one home track's sustained sound to what they say of its pairs.

Conventions: as in `polaritykit.evidence.source`.
"""

import math

import numpy as np

from polaritykit.base.types import Floats, Recording, read_only
from polaritykit.changes.frame_lags import PairLags, read_pair_lags
from polaritykit.evidence.other_arrival import with_other
from polaritykit.evidence.source import EDGE_CAP, SourceEvidence, empty_matrices, silent_matrices
from polaritykit.sustained.home_frames import HomeFrames, Reading, read_frames_of, read_pair
from polaritykit.sustained.phase_curve import MAX_RIVAL, MIN_SIGNIFICANCE, SURE_SIGNIFICANCE, PhaseCurve

#: What is left of it without the bins that the mains could fill must reach that too; hum is named where
#: less than this share is left (a third of all bins lie about the harmonics, and sound loses a fifth).
_MAINS_SHARE = 0.6
#: Peak over the root-mean-square of the rest of the curve: the largest of some thousand lags of noise
#: reaches 4.2 (sqrt(2 ln M)).
_MIN_PEAK_OVER_REST = 5.0
#: A band is called narrow from an opposite lobe of its own on that two octaves do not reach (.56).
_NARROW_RIVAL = 0.6
#: Parts of the spectrum that must agree in sign, by weight.
_MIN_UNISON = 0.75
#: Log-odds per unit of rival below that.
RIVAL_SLOPE = 8.0
#: Log-odds that the peak is the direct sound's and not a reflection's: of one that holds half of what the
#: frames have in common and whose next peak is 0.6 as high; for each doubling of the first, by how much the
#: next peak is lower.  Fitted by logistic regression on simulated rooms of random size (plucked, bowed and
#: struck strings and noise; other rooms and notes than the benchmark's).
_RIGHT, _RIGHT_ALIGNED, _RIGHT_ALONE = 3.5, 1.85, 5.7
#: A common sound without any delay (samples) that explains no more than this of a track is electrical:
#: air takes time, and what is at one place is loud.
_CROSSTALK_WITHIN_SAMPLES = 0.15
_CROSSTALK_BELOW_DB = -20.0
#: Two standard deviations of the offset are granted on top, up to this (samples): what is faint is not
#: measured better.
_CROSSTALK_DOUBT_SAMPLES = 0.6
#: Tracks whose frames are held at a time: 64 frames of 25 tracks take 180 MB.
_TOGETHER = 24
#: Level of a track that no frame was heard of.
_UNHEARD_DB = -200.0


def frame_evidence(
    recording: Recording, levels_db: Floats, home: int, others: list[int], search_ms: float
) -> SourceEvidence:
    """Read the sustained sound of one home track against other tracks.

    What it holds in memory does not grow with them, for they are read some at a time.

    Parameters
    ----------
    recording : Recording
    levels_db : ndarray, shape (n_frames, n_tracks)
        From `polaritykit.sustained.activity.ActivityMeter`.
    home : int
    others : list of int
        Tracks to compare with it.
    search_ms : float
        Largest offset looked for.

    Returns
    -------
    SourceEvidence
        In which only pairs with the home track say anything.
    """
    lags: list[PairLags] = []
    readings: list[Reading] = []
    frames = read_frames_of(recording, levels_db, home, search_ms, others[:_TOGETHER])
    for at in range(0, len(others) if len(frames.spectra) else 0, _TOGETHER):
        part = others[at : at + _TOGETHER]
        if at:
            frames = read_frames_of(recording, levels_db, home, search_ms, part)
        for other in part:
            lags.append(
                read_pair_lags(
                    frames.spectra_of(home),
                    frames.spectra_of(other),
                    frames.times_s,
                    frames.sample_rate_hz,
                    pair=(home, other),
                    search_ms=search_ms,
                )
            )
            reading = read_pair(recording, frames, other)
            if reading is not None:
                readings.append(reading)
    return _evidence(frames, readings, lags)


def _evidence(frames: HomeFrames, readings: list[Reading], lags: list[PairLags]) -> SourceEvidence:
    home, n = frames.home, frames.levels_db.shape[1]
    offset, std, odds, known = silent_matrices(n) if not readings else empty_matrices(n)
    right = offset.copy() if readings else offset
    obstacle = [""] * n
    level = frames.levels_db.mean(axis=0) if len(frames.chosen) else np.full(n, _UNHEARD_DB)
    for reading in readings:
        curve, b = reading.curve, reading.other
        obstacle[b] = _obstacle(reading, frames.sample_rate_hz)
        if obstacle[b] in ("noise", "edge", "mains", "crosstalk"):
            continue
        known[home, b] = known[b, home] = True
        offset[home, b], offset[b, home] = reading.offset_s, -reading.offset_s
        right[home, b] = right[b, home] = of_direct = direct_odds(curve)
        std[home, b] = std[b, home] = with_other(reading.std_s, of_direct, curve.other_peak_apart_s)
        if curve.unison >= _MIN_UNISON and reading.lobes_agree:
            odds[home, b] = odds[b, home] = curve.sign * odds_by_rival(curve.rival)
        level[b] = level[b] + min(0.0, reading.explained_db)
    return SourceEvidence(
        kind="continuous",
        home=home,
        n_used=len(frames.chosen),
        n_found=len(frames.chosen),
        at_samples=frames.chosen * frames.size,
        offset_s=read_only(offset),
        std_s=read_only(std),
        known=known,
        log_odds=read_only(odds),
        right=read_only(right),
        level_db=read_only(np.asarray(level)),
        obstacle=tuple(obstacle),
        pair_lags=tuple(lags),
    )


def direct_odds(curve: PhaseCurve) -> float:
    """Log-odds that the peak of a curve is the direct sound's.

    Parameters
    ----------
    curve : PhaseCurve
    """
    aligned = math.log2(max(curve.alignment, 1e-3) / 0.5)
    return _RIGHT + _RIGHT_ALIGNED * aligned + _RIGHT_ALONE * (0.6 - curve.other_peak)


def odds_by_rival(rival: float) -> float:
    """Log-odds of a sign by the highest lobe of the other one, as a share of the peak."""
    return float(np.clip(RIVAL_SLOPE * (MAX_RIVAL - rival), 0.0, EDGE_CAP))


def by_wire(offset_s: float, std_s: float, explained_db: float, sample_rate_hz: int) -> bool:
    """Tell crosstalk: faint, and by its own ± perhaps without any delay.

    Parameters
    ----------
    offset_s, std_s : float
        Of the common sound.
    explained_db : float
        Share of the track that it explains.
    sample_rate_hz : int
    """
    doubt = min(2.0 * std_s * sample_rate_hz, _CROSSTALK_DOUBT_SAMPLES)
    at_once = abs(offset_s) * sample_rate_hz <= _CROSSTALK_WITHIN_SAMPLES + doubt
    return at_once and explained_db <= _CROSSTALK_BELOW_DB


def _obstacle(reading: Reading, sample_rate_hz: int) -> str:
    curve = reading.curve
    if curve.significance < MIN_SIGNIFICANCE:
        return "noise"
    # Before the shape of the curve: hum alone repeats at every period.
    if curve.significance_without_mains < MIN_SIGNIFICANCE:
        return "mains" if curve.share_without_mains < _MAINS_SHARE else "noise"
    if curve.peak_over_rest < _MIN_PEAK_OVER_REST:
        return "noise"
    faint = _faintness(reading, sample_rate_hz)
    if faint:
        return faint
    if curve.at_edge:
        return "edge"
    # Notes that two takes share by chance make a peak, and no line through the phase about it.
    chance = not reading.confirmed and curve.significance < SURE_SIGNIFICANCE
    return "noise" if chance else _open_sign(reading)


def _faintness(reading: Reading, sample_rate_hz: int) -> str:
    """Tell crosstalk, and what is too faint to be told from it: by its own ± perhaps without any delay."""
    if by_wire(reading.offset_s, reading.std_s, reading.explained_db, sample_rate_hz):
        return "crosstalk"
    faint = reading.explained_db <= _CROSSTALK_BELOW_DB
    return "noise" if faint and abs(reading.offset_s) <= 2.0 * reading.std_s else ""


def _open_sign(reading: Reading) -> str:
    """Why a known offset leaves the sign open, if it does."""
    curve = reading.curve
    if curve.rival <= MAX_RIVAL and curve.unison >= _MIN_UNISON and reading.lobes_agree:
        return ""
    # A band with one sign throughout has a rival of its own; more than that is disagreement.
    return "narrow" if curve.rival_of_band >= _NARROW_RIVAL else "mixed"
