"""Sources and their readings to one common form: signed evidence and offsets for every pair.

Conventions
-----------
arrays
    ``(n_tracks, n_tracks)``, [a, b]; ``offset_s`` is antisymmetric, positive when b hears the source later.
log-odds
    positive says the two tracks hear the source with the same polarity.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Complexes, Floats, Recording, read_only
from polaritykit.changes.frame_lags import PairLags, read_pair_lags
from polaritykit.changes.hit_lags import HitLags, read_hit_lags
from polaritykit.changes.settings import ChangeSettings
from polaritykit.evidence.settings import EvidenceSettings
from polaritykit.struck.direct_correlation import DirectTimes, direct_times, reconciled
from polaritykit.struck.first_arrival import Arrivals, pick_arrivals, pick_home
from polaritykit.struck.line_up import lined_up
from polaritykit.struck.settings import ArrivalSettings
from polaritykit.struck.signs import HitSigns, low_pass, read_signs
from polaritykit.struck.sources import HitSource
from polaritykit.struck.stroke_alignment import stroke_shifts
from polaritykit.sustained.frames import Reading, frame_samples, read_home
from polaritykit.sustained.settings import ContinuousSettings


@dataclass(frozen=True, kw_only=True)
class SourceEvidence:
    """What one source says of every pair."""

    kind: Literal["hits", "continuous"]
    home: int
    #: Hits or frames used, and the hits found.
    n_used: int
    n_found: int
    #: Start of each hit or frame used, samples.
    at_samples: NDArray[np.int64]
    offset_s: Floats
    std_s: Floats
    #: Whether the offset of the pair is known.
    known: NDArray[np.bool_]
    log_odds: Floats
    #: Level at which each track hears the source, dB, shape (n_tracks,).
    level_db: Floats
    #: Why a track has no clear arrival: ``noise``, ``edge``, ``scatter``, ``narrow``, ``mixed``, ``mains``,
    #: ``crosstalk`` or empty; one word per track.
    obstacle: tuple[str, ...]
    #: Level of its lowest band over the next, dB; None for sustained sound.
    lowness_db: float | None = None
    #: Offsets by the correlation of the direct sound; None for sustained sound.
    direct: DirectTimes | None = None
    #: Pairs in which that correlation was believed against a first arrival; None for sustained sound.
    moved: NDArray[np.bool_] | None = None
    #: How the hits run over the take; None for sustained sound.
    hit_lags: HitLags | None = None
    #: How the pairs run over the frames of sustained sound.
    pair_lags: tuple[PairLags, ...] = ()


def hit_evidence(
    recording: Recording,
    source: HitSource,
    arrival: ArrivalSettings,
    settings: EvidenceSettings,
    *,
    well_heard: NDArray[np.bool_],
    changes: ChangeSettings,
) -> tuple[SourceEvidence, ...]:
    """Read one source's hits on all tracks, and beside it what falls together with its strokes.

    Parameters
    ----------
    recording : Recording
        Read around each hit.
    source : HitSource
    arrival : ArrivalSettings
    settings : EvidenceSettings
    well_heard : ndarray of bool, shape (n_tracks,)
        Tracks in which no other source is much louder, from `well_heard`.
    changes : ChangeSettings

    Returns
    -------
    tuple of SourceEvidence
        One; two where what is heard first does not keep time with the strokes' own waveform (a hat struck
        along with a snare): the second is timed by its first arrivals alone.
    """
    rate = recording.sample_rate_hz
    zero = round((arrival.earliest_ms + arrival.noise_gap_ms + arrival.noise_ms + 4.0) * 1e-3 * rate)
    onsets = np.array([int(event.onset_samples[source.home]) for event in source.events])
    length = zero + round((arrival.latest_ms + 8.0) * 1e-3 * rate)

    def at_home(starts: NDArray[np.int64]) -> Floats:
        return np.stack([recording.read(int(at), int(at) + length, (source.home,))[0] for at in starts])

    picks = pick_home(low_pass(at_home(onsets - zero), arrival.top_hz, rate), zero, rate, arrival)
    starts = onsets - 2 * zero + picks
    shifts = stroke_shifts(at_home(starts), zero, rate, arrival)
    read = partial(
        _read,
        recording,
        source,
        arrival,
        settings,
        well_heard=well_heard,
        changes=changes,
        zero=zero,
        length=length,
    )
    along = read(starts)
    if np.median(np.abs(shifts)) <= arrival.stroke_apart_ms * 1e-3 * rate:
        return (along,)
    # The sign stays with what is heard first: strokes laid on each other by a long waveform repeat its
    # reflections too (a far home told three signs wrongly on a real kit).
    own = replace(read(starts + shifts), log_odds=along.log_odds)
    # Quieter than the drum it goes along with, by as much as the top octaves lie below the loudest band.
    return own, replace(along, level_db=source.level_db + source.highness_db)


def _read(
    recording: Recording,
    source: HitSource,
    arrival: ArrivalSettings,
    settings: EvidenceSettings,
    starts: NDArray[np.int64],
    *,
    well_heard: NDArray[np.bool_],
    changes: ChangeSettings,
    zero: int,
    length: int,
) -> SourceEvidence:
    """Read the windows that begin at these samples and have their reference time at ``zero``."""
    rate = recording.sample_rate_hz
    windows = np.stack([recording.read(int(at), int(at) + length) for at in starts]).astype(np.float64)
    picked = pick_arrivals(low_pass(windows, arrival.top_hz, rate), zero, rate, arrival)
    arrivals = lined_up(picked, zero, rate, arrival)
    direct = direct_times(windows, zero, rate, arrivals.arrival_s, settings.direct)
    direct = replace(direct, agreed=read_only(direct.agreed * np.outer(well_heard, well_heard)))
    arrivals, moved = reconciled(
        arrivals, direct, windows, zero=zero, sample_rate_hz=rate, settings=settings.direct
    )
    odds = _log_odds(arrivals, read_signs(windows, zero, arrivals, rate, settings), len(windows), settings)
    # Where first arrival and direct sound had to be reconciled, the place is found and the sign is not.
    odds = np.where(moved[:, None] | moved[None, :], 0.0, odds)
    obstacle = tuple(_obstacle(arrivals, track, settings) for track in range(windows.shape[1]))
    heard = np.array([not why for why in obstacle])
    return SourceEvidence(
        kind="hits",
        home=source.home,
        n_used=len(windows),
        n_found=source.n_found,
        at_samples=starts + zero,
        offset_s=read_only(arrivals.arrival_s[None, :] - arrivals.arrival_s[:, None]),
        std_s=read_only(np.hypot(arrivals.spread_s[None, :], arrivals.spread_s[:, None])),
        known=heard[:, None] & heard[None, :] & ~np.eye(len(heard), dtype=bool),
        log_odds=read_only(odds),
        level_db=source.level_db,
        obstacle=obstacle,
        lowness_db=source.lowness_db,
        direct=direct,
        moved=moved[:, None] | moved[None, :],
        hit_lags=read_hit_lags(
            windows, zero, (starts + zero) / rate, rate, home=source.home, settings=changes
        ),
    )


def well_heard(
    source: HitSource, sources: Sequence[HitSource], settings: EvidenceSettings
) -> NDArray[np.bool_]:
    """Tell in which tracks a source is not far below the loudest; shape (n_tracks,).

    In the others its direct sound may be less than what it makes ring there.
    """
    top = np.max([other.level_db for other in sources], axis=0)
    return np.asarray(source.level_db >= top - settings.well_heard_db)


def _obstacle(arrivals: Arrivals, track: int, settings: EvidenceSettings) -> str:
    if arrivals.snr_db[track] < settings.snr_none_db:
        return "noise"
    if arrivals.at_edge[track]:
        return "edge"
    return "" if arrivals.stability[track] >= settings.min_stability else "scatter"


def _log_odds(arrivals: Arrivals, signs: HitSigns, n_hits: int, settings: EvidenceSettings) -> Floats:
    """Signed log-odds of every pair from the two readings of its sign and the quality of its arrivals."""

    def worse(per_track: Floats) -> Floats:
        return np.minimum(per_track[:, None], per_track[None, :])

    sign = np.sign(signs.correlation)
    coherence = worse(arrivals.coherence)
    reading = (
        settings.weight_correlation * np.abs(signs.correlation)
        + settings.weight_votes * signs.votes * sign
        + settings.weight_coherence * coherence
        + settings.weight_stability * worse(arrivals.stability)
        - settings.few_hits_penalty * (n_hits < settings.few_hits)
    )
    size = np.clip(settings.slope * (reading - settings.middle), 0.0, settings.edge_cap)
    above_noise = (worse(arrivals.snr_db) - settings.snr_none_db) / (
        settings.snr_full_db - settings.snr_none_db
    )
    agree = (signs.votes * sign >= settings.min_votes) & (coherence >= settings.min_coherence)
    odds = sign * size * np.clip(above_noise, 0.0, 1.0) * agree
    np.fill_diagonal(odds, 0.0)
    return np.asarray(odds)


def covered(evidence: tuple[SourceEvidence, ...], settings: EvidenceSettings) -> tuple[SourceEvidence, ...]:
    """Take back what a source says of tracks in which louder sources cover it, and of the lowest drum.

    A bass drum is heard with opposite signs on its two sides (measured on two kits), so beside other
    sources it needs one of them to agree.  Levels are known only once all sources are: a step of its own.
    """
    hits = [item for item in evidence if item.kind == "hits"]
    if not hits:
        return evidence
    top = np.max([item.level_db for item in hits], axis=0)
    lowest = max(item.lowness_db or 0.0 for item in hits)
    others = any((item.lowness_db or 0.0) < lowest - settings.as_low_db for item in hits)

    def worth(item: SourceEvidence) -> float:
        lowness = item.lowness_db or 0.0
        low = lowness >= settings.low_drum_db and lowness >= lowest - settings.as_low_db
        return settings.low_drum_worth if low and others else 1.0

    def weighed(item: SourceEvidence) -> SourceEvidence:
        share = (item.level_db - top - settings.share_none_db) / (
            settings.share_full_db - settings.share_none_db
        )
        weight = np.clip(share, 0.0, 1.0)
        return replace(
            item,
            log_odds=read_only(worth(item) * item.log_odds * np.minimum(weight[:, None], weight[None, :])),
        )

    return tuple(weighed(item) if item.kind == "hits" else item for item in evidence)


def continuous_evidence(
    recording: Recording,
    levels_db: Floats,
    home: int,
    others: list[int],
    *,
    settings: ContinuousSettings,
    edge_cap: float,
    changes: ChangeSettings,
) -> tuple[SourceEvidence, list[Reading]]:
    """Read the sustained sound of one home track against other tracks.

    Returns
    -------
    tuple
        The evidence, in which only pairs with the home track say anything, and the readings behind it.
    """
    n = len(recording.track_names)
    size = frame_samples(recording.n_samples, recording.sample_rate_hz, settings)
    lags: list[PairLags] = []

    def follow(other: int, own: Complexes, its: Complexes, frames: NDArray[np.int64]) -> None:
        times_s = (frames + 0.5) * size / recording.sample_rate_hz
        lags.append(
            read_pair_lags(
                own,
                its,
                times_s,
                recording.sample_rate_hz,
                pair=(home, other),
                settings=settings,
                changes=changes,
            )
        )

    chosen, readings = read_home(recording, levels_db, home, others, settings, follow=follow)
    offset, std, odds = np.zeros((n, n)), np.zeros((n, n)), np.zeros((n, n))
    known = np.zeros((n, n), dtype=bool)
    obstacle = [""] * n
    level = levels_db[chosen].mean(axis=0) if len(chosen) else np.full(n, -200.0)
    for reading in readings:
        curve, b = reading.curve, reading.other
        obstacle[b] = _continuous_obstacle(reading, recording.sample_rate_hz, settings)
        if obstacle[b] in ("noise", "edge", "mains", "crosstalk"):
            continue
        known[home, b] = known[b, home] = True
        offset[home, b], offset[b, home] = reading.offset_s, -reading.offset_s
        std[home, b] = std[b, home] = reading.std_s
        if curve.unison >= settings.min_unison and reading.lobes_agree:
            size_of_vote = np.clip(settings.rival_slope * (settings.max_rival - curve.rival), 0.0, edge_cap)
            odds[home, b] = odds[b, home] = curve.sign * size_of_vote
        level[b] = level[b] + min(0.0, reading.explained_db)
    return (
        SourceEvidence(
            kind="continuous",
            home=home,
            n_used=len(chosen),
            n_found=len(chosen),
            at_samples=chosen * size,
            offset_s=read_only(offset),
            std_s=read_only(std),
            known=known,
            log_odds=read_only(odds),
            level_db=read_only(np.asarray(level)),
            obstacle=tuple(obstacle),
            pair_lags=tuple(lags),
        ),
        readings,
    )


def _continuous_obstacle(reading: Reading, sample_rate_hz: int, settings: ContinuousSettings) -> str:
    curve = reading.curve
    if curve.significance < settings.min_significance:
        return "noise"
    # Before the shape of the curve: hum alone repeats at every period.
    if curve.significance_without_mains < settings.min_significance:
        return "mains" if curve.share_without_mains < settings.mains_share else "noise"
    if curve.peak_over_rest < settings.min_peak_over_rest:
        return "noise"
    faint = _faint_obstacle(reading, sample_rate_hz, settings)
    if faint:
        return faint
    if curve.at_edge:
        return "edge"
    # Notes that two takes share by chance make a peak, and no line through the phase about it.
    chance = not reading.confirmed and curve.significance < settings.sure_without_phase
    return "noise" if chance else _open_sign(reading, settings)


def _faint_obstacle(reading: Reading, sample_rate_hz: int, settings: ContinuousSettings) -> str:
    """Tell crosstalk, and what is too faint to be told from it: by its own ± perhaps without any delay."""
    if reading.explained_db > settings.crosstalk_below_db:
        return ""
    doubt = min(2.0 * reading.std_s * sample_rate_hz, settings.crosstalk_doubt_samples)
    if abs(reading.offset_s) * sample_rate_hz <= settings.crosstalk_within_samples + doubt:
        return "crosstalk"
    return "noise" if abs(reading.offset_s) <= 2.0 * reading.std_s else ""


def _open_sign(reading: Reading, settings: ContinuousSettings) -> str:
    """Why a known offset leaves the sign open, if it does."""
    curve = reading.curve
    if curve.rival <= settings.max_rival and curve.unison >= settings.min_unison and reading.lobes_agree:
        return ""
    # A band with one sign throughout has a rival of its own; more than that is disagreement.
    return "narrow" if curve.rival_of_band >= settings.narrow_rival else "mixed"
