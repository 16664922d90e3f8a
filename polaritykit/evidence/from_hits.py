"""Hits of one source to what they say of every pair: offsets, and log-odds of one sign.

Conventions: as in `polaritykit.evidence.source`.
"""

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.hearing import WELL_HEARD_DB
from polaritykit.base.types import Floats, Recording, read_only
from polaritykit.changes.hit_lags import read_hit_lags
from polaritykit.evidence.some_tracks import Here, among_all
from polaritykit.evidence.source import EDGE_CAP, SourceEvidence
from polaritykit.struck.direct_correlation import (
    AGREE_MS,
    LOWEST_HZ,
    SURELY_AGREED,
    DirectTimes,
    centre_hz,
    direct_times,
    gated_cross,
    reconciled,
    with_sharper,
)
from polaritykit.struck.first_arrival import (
    EARLIEST_MS,
    LATEST_MS,
    NOISE_GAP_MS,
    NOISE_MS,
    Arrivals,
    pick_arrivals,
    pick_home,
)
from polaritykit.struck.line_up import lined_up
from polaritykit.struck.repeatability import REPEATS_FROM, stroke_similarity
from polaritykit.struck.signs import SEARCH_MS, HitSigns, low_pass, read_signs
from polaritykit.struck.sources import HitSource
from polaritykit.struck.stroke_alignment import APART_MS, stroke_shifts
from polaritykit.struck.windows import HitWindows

#: Windows hold what the predictor is fitted to before the earliest arrival, and the start of the latest.
_LEAD_MS = EARLIEST_MS + NOISE_GAP_MS + NOISE_MS + 4.0
_TAIL_MS = LATEST_MS + 8.0
#: While a source is read its windows are held some three times over (as votes, as spectra, as curves of all
#: pairs); of all sources read at a time that is no more than so many bytes, or one source.
_COPIES, _AT_ONCE_BYTES = 3, 6e8
#: Tracks picked together: what is worked out of their windows stays in the cache.
_TRACKS = 8
#: Sound above this is left out: it is alike in no two hits, and converters ring there before the sound.
_TOP_HZ = 6000.0
#: Log-odds of an edge: ``slope`` times (``weights`` · readings - ``middle``).  Fitted once by logistic
#: regression on hits of a real kit and rounded (which was not written down: take it for the benchmark's
#: own, in both splits); the answer hardly depends on them (slope 3 to 4, middle
#: 1.3 to 2.2 decide the same pairs), since a margin counts agreement of edges, not their exact worth.
_SLOPE = 4.0
_MIDDLE = 1.67
_WEIGHT_CORRELATION = 2.4
_WEIGHT_VOTES = 1.0
_WEIGHT_COHERENCE = 0.5
_WEIGHT_STABILITY = 0.3
#: Taken off where so few hits speak, of fewer still in proportion, and not at all from so many on.
_FEW_HITS, _ENOUGH_HITS = 6, 10
_FEW_HITS_PENALTY = 0.6
#: Below this the first motion lies under the noise and a later one is picked: nothing to say ...
_SNR_NONE_DB = 2.0
#: ... from here on in full.
_SNR_FULL_DB = 6.0
#: Both readings must have the same sign: from where the second says nothing to where it says enough.
_VOTES = 0.05, 0.15
#: Averaged votes of about 0.15 are what chance gives with some forty hits.
_COHERENCE = 0.1, 0.2
#: Picks from resampled hits stay within this of a clear first motion: as far as they are lined up.  Of 26
#: wrong signs among 784 on development sessions (seeds 1 to 4; with linear-phase equalisers 200 to 203) this
#: and the reach of the sign's search leave 3, and 609 of the 758 right ones (5 and 6 at 0.15 and 0.2 ms).
#: In full to the first figure, not at all from the second on; so too for the reach of the search, and for how
#: near the correlation has to be.
_CLEAR_MS = 0.07, 0.13
_REACHED_MS = 0.75 * SEARCH_MS, 1.25 * SEARCH_MS
_CONFIRMED_MS = 0.75 * AGREE_MS, 1.25 * AGREE_MS
#: Log-odds of a sign that is the direct sound's correlation's, where first arrivals give none; from all
#: readings agreed but one ...
_CORRELATION_ODDS = 1.2
_CORRELATION_FULL = 0.85
#: ... down to where a third are elsewhere.  On development sessions 3 of 433 such signs were wrong (seeds 1
#: to 3: none of 228 with linear-phase equalisers, three of 23 of far mics of the real kit); no more than
#: this, so that one source never decides alone: it objects to a turned track by 2.5 / 2.4 of it, and a
#: pair is decided from 1.6 on (`decide/agreement`).
_CORRELATION_NONE = 0.7
#: So many tracks beside its home tell whether what is heard first is another source.
_FEWEST_TRACKS = 3
#: Arrivals count as known with this stability.
_MIN_STABILITY = 0.5


def hit_evidence(
    recording: Recording, source: HitSource, *, well_heard: NDArray[np.bool_]
) -> tuple[SourceEvidence, ...]:
    """Read one source's hits on all tracks, and beside it what falls together with its strokes.

    Parameters
    ----------
    recording : Recording
        Read around each hit.
    source : HitSource
    well_heard : ndarray of bool, shape (n_tracks,)
        Tracks in which no other source is much louder, from `well_heard`.

    Returns
    -------
    tuple of SourceEvidence
        One; two where what is heard first does not keep time with the strokes' own waveform (a hat struck
        along with a snare): the second is timed by its first arrivals alone.
    """
    onsets = np.array([int(event.onset_samples[source.home]) for event in source.events])
    near = HitWindows.cut(recording, onsets, lead_ms=_LEAD_MS, tail_ms=_TAIL_MS, tracks=(source.home,))
    rate, zero = near.sample_rate_hz, near.zero
    picks = pick_home(low_pass(near.samples[:, 0], _TOP_HZ, rate), zero, rate)
    here = Here.of(source, well_heard)

    def cut(at_samples: NDArray[np.int64]) -> HitWindows:
        return HitWindows.cut(
            recording, at_samples, lead_ms=_LEAD_MS, tail_ms=_TAIL_MS, tracks=source.heard_in
        )

    picked = cut(onsets + picks - zero)
    along, low = _read(picked, here)
    if low is not None:
        return _both(low, along, source)
    shifts = stroke_shifts(picked.samples[:, here.source.home], zero, rate)
    if np.median(np.abs(shifts)) <= APART_MS * 1e-3 * rate:
        return (among_all(along, source),)
    # The sign stays with what is heard first: strokes laid on each other by a long waveform repeat its
    # reflections too (a far home told three signs wrongly on a real kit).
    own = _read(cut(picked.at_samples + shifts), here)[0]
    own = replace(own, log_odds=along.log_odds, by_correlation=along.by_correlation)
    return _both(own, along, source)


def _both(own: SourceEvidence, along: SourceEvidence, source: HitSource) -> tuple[SourceEvidence, ...]:
    """Tell a drum, and what sounds along with it.

    That is quieter than the drum by as much as the top octaves lie below the loudest band.
    """
    return (
        among_all(own, source),
        replace(among_all(along, source), level_db=source.level_db + source.highness_db, apart=False),
    )


def _of_few(n_hits: int) -> float:
    """Tell by how much more than usual two standard deviations of so few hits have to be to hold 95 %.

    Student (1908), Biometrika 6, 1-25.
    """
    from scipy.special import stdtrit

    return float(stdtrit(max(n_hits - 1, 1), 0.975) / stdtrit(1e6, 0.975))


def _repeats(
    windows: Floats, home: int, well_heard: NDArray[np.bool_], zero: int, sample_rate_hz: int
) -> float:
    """How alike the strokes are at home, or where they are most alike of what hears them well.

    One track may hear the wires of a snare drum and another its skin, and either may be the home.
    """
    alike = stroke_similarity(windows[:, home], zero, sample_rate_hz)
    for track in np.flatnonzero(well_heard).tolist():
        if alike >= REPEATS_FROM:
            break
        alike = max(alike, stroke_similarity(windows[:, track], zero, sample_rate_hz))
    return alike


def at_once(sources: Sequence[HitSource], sample_rate_hz: int) -> int:
    """Give the number of sources whose windows may be held at a time, by the memory that takes.

    Parameters
    ----------
    sources : sequence of HitSource
    sample_rate_hz : int
    """
    cells = [
        len(source.events) * (len(source.level_db) if source.heard_in is None else len(source.heard_in))
        for source in sources
    ]
    samples = max(cells, default=0) * (_LEAD_MS + _TAIL_MS) * 1e-3 * sample_rate_hz
    return max(1, int(_AT_ONCE_BYTES / (_COPIES * 8 * max(samples, 1.0))))


def _read(hits: HitWindows, here: Here) -> tuple[SourceEvidence, SourceEvidence | None]:
    """Read the windows of one source's hits, and apart from it a low drum that is not what is heard first.

    A hat struck along with a bass drum is heard first by most tracks; in the drum's own octaves there is
    nothing of it.
    """
    windows, zero, rate = hits.samples, hits.zero, hits.sample_rate_hz
    arrivals = lined_up(_picked(windows, zero, rate), zero, rate)
    centre = centre_hz(windows[:, here.source.home], zero, rate)

    gates = gated_cross(windows, zero, rate)

    def direct(lowest_hz: float) -> DirectTimes:
        found = direct_times(gates, arrivals.arrival_s, lowest_hz=lowest_hz)
        return replace(found, agreed=read_only(found.agreed * np.outer(here.well_heard, here.well_heard)))

    wide = direct(LOWEST_HZ)
    if centre >= LOWEST_HZ:
        return _told(hits, here, arrivals, wide), None
    own = direct(centre)
    first_elsewhere = _elsewhere(arrivals, own, here.source.home)
    own = with_sharper(own, wide)
    if not first_elsewhere:
        return _told(hits, here, arrivals, own), None
    along = _told(hits, here, arrivals, wide)
    odds = _odds_of_correlation(own)
    # Where the first arrival of a pair lies at the drum's lag it is taken for the drum's.
    own_first = np.abs(along.offset_s - own.offset_s) <= AGREE_MS * 1e-3
    low = replace(
        along,
        known=along.known & own_first,
        log_odds=read_only(odds),
        by_correlation=odds != 0.0,
        moved=np.zeros_like(along.known),
        direct=own,
    )
    return along, low


def _elsewhere(arrivals: Arrivals, direct: DirectTimes, home: int) -> bool:
    """Whether most first arrivals are of another source than what surely correlates with the home track.

    What a drum's size or its other side makes of its home's time is the same in all pairs with it.
    """
    clear = np.array([not _obstacle(arrivals, track) for track in range(len(arrivals.arrival_s))])
    counted = clear & (direct.agreed[home] >= SURELY_AGREED)
    counted[home] = False
    apart_s = (arrivals.arrival_s - direct.offset_s[home])[counted]
    if len(apart_s) < _FEWEST_TRACKS:
        return False
    return float(np.median(np.abs(apart_s - np.median(apart_s)))) > APART_MS * 1e-3


def _told(hits: HitWindows, here: Here, arrivals: Arrivals, direct: DirectTimes) -> SourceEvidence:
    """Tell what first arrivals and the correlation of the direct sound say."""
    source, well_heard = here.source, here.well_heard
    windows, zero, rate = hits.samples, hits.zero, hits.sample_rate_hz
    arrivals, moved = reconciled(arrivals, direct, windows, zero=zero, sample_rate_hz=rate)
    placed = np.where(moved[:, None] | moved[None, :], 0.0, _place_known(arrivals, direct))
    odds = placed * _log_odds(arrivals, read_signs(windows, zero, arrivals, rate), len(windows))
    # The correlation speaks as far as first arrivals do not.
    rest = np.clip(1.0 - np.abs(odds) / _CORRELATION_ODDS, 0.0, 1.0) * _odds_of_correlation(direct)
    obstacle = tuple(_obstacle(arrivals, track) for track in range(windows.shape[1]))
    heard = np.array([not why for why in obstacle])
    wider = _of_few(len(windows))
    return SourceEvidence(
        kind="hits",
        home=source.home,
        n_used=len(windows),
        n_found=source.n_found,
        at_samples=hits.at_samples,
        offset_s=read_only(arrivals.arrival_s[None, :] - arrivals.arrival_s[:, None]),
        std_s=read_only(wider * np.hypot(arrivals.spread_s[None, :], arrivals.spread_s[:, None])),
        known=heard[:, None] & heard[None, :] & ~np.eye(len(heard), dtype=bool),
        log_odds=read_only(odds + rest),
        by_correlation=np.abs(rest) > np.abs(odds),
        level_db=source.level_db,
        obstacle=obstacle,
        lowness_db=source.lowness_db,
        cuts=source.cuts,
        apart=source.apart,
        direct=direct,
        moved=moved[:, None] | moved[None, :],
        similarity=_repeats(windows, source.home, well_heard, zero, rate),
        hit_lags=read_hit_lags(windows, zero, hits.at_samples / rate, rate, home=source.home),
    )


def _picked(windows: Floats, zero: int, sample_rate_hz: int) -> Arrivals:
    """First arrivals on all tracks, some tracks at a time: each is picked by itself."""
    parts = []
    for first in range(0, windows.shape[1], _TRACKS):
        some = low_pass(windows[:, first : first + _TRACKS], _TOP_HZ, sample_rate_hz)
        parts.append(pick_arrivals(some, zero, sample_rate_hz))

    def all_of(name: str) -> NDArray[Any]:
        found = np.concatenate([getattr(part, name) for part in parts])
        found.flags.writeable = False
        return found

    return Arrivals(**{each.name: all_of(each.name) for each in fields(Arrivals)})


def well_heard(source: HitSource, sources: Sequence[HitSource]) -> NDArray[np.bool_]:
    """Tell in which tracks a source is not far below the loudest; shape (n_tracks,).

    The direct sound's correlation speaks of those; in the others it may be less than what the source makes
    ring there.

    Parameters
    ----------
    source : HitSource
    sources : sequence of HitSource
        All of the session.
    """
    top = np.max([other.level_db for other in sources if other.apart or other is source], axis=0)
    return np.asarray(source.level_db >= top - WELL_HEARD_DB)


def _obstacle(arrivals: Arrivals, track: int) -> str:
    if arrivals.snr_db[track] < _SNR_NONE_DB:
        return "noise"
    if arrivals.at_edge[track]:
        return "edge"
    return "" if arrivals.stability[track] >= _MIN_STABILITY else "scatter"


def _place_known(arrivals: Arrivals, direct: DirectTimes) -> Floats:
    """How surely the sign of a pair may be read at its first arrivals, 0 to 1.

    A sign is read within so much of the arrivals: picks that scatter by more have no place to read it at.  A
    pick that scatters at all is no clear first motion (a filter that rings before the sound, something struck
    a moment earlier); it counts where the direct sound correlates at that lag too.  A clear one may stand
    alone: near and far mics of a drum correlate best half a period later.
    """
    spread_ms = np.hypot(arrivals.spread_s[None, :], arrivals.spread_s[:, None]) * 1e3
    apart_ms = np.abs(arrivals.arrival_s[None, :] - arrivals.arrival_s[:, None] - direct.offset_s) * 1e3
    known = np.maximum(_below(spread_ms, _CLEAR_MS), _below(apart_ms / (1.0 + direct.longer), _CONFIRMED_MS))
    return np.asarray(_below(spread_ms, _REACHED_MS) * known)


def _below(value: Floats, limits: tuple[float, float]) -> Floats:
    """1 up to the lower limit, 0 from the upper one on, even between: no limit tips what is told."""
    low, high = limits
    return np.asarray(np.clip((high - value) / (high - low), 0.0, 1.0))


def _odds_of_correlation(direct: DirectTimes) -> Floats:
    """Signed log-odds by the correlation of the direct sound, however its first arrival rings or scatters.

    Filters without a phase of their own leave the phases of two tracks' cross-spectrum as they were.
    """
    share = (direct.agreed - _CORRELATION_NONE) / (_CORRELATION_FULL - _CORRELATION_NONE)
    return np.asarray(_CORRELATION_ODDS * direct.sign * np.clip(share, 0.0, 1.0))


def _log_odds(arrivals: Arrivals, signs: HitSigns, n_hits: int) -> Floats:
    """Signed log-odds of every pair from the two readings of its sign and the quality of its arrivals."""

    def worse(per_track: Floats) -> Floats:
        return np.minimum(per_track[:, None], per_track[None, :])

    sign = np.sign(signs.correlation)
    coherence = worse(arrivals.coherence)
    reading = (
        _WEIGHT_CORRELATION * np.abs(signs.correlation)
        + _WEIGHT_VOTES * signs.votes * sign
        + _WEIGHT_COHERENCE * coherence
        + _WEIGHT_STABILITY * worse(arrivals.stability)
        - _FEW_HITS_PENALTY * max(0.0, (_ENOUGH_HITS - n_hits) / (_ENOUGH_HITS - _FEW_HITS))
    )
    size = np.clip(_SLOPE * (reading - _MIDDLE), 0.0, EDGE_CAP)
    above_noise = (worse(arrivals.snr_db) - _SNR_NONE_DB) / (_SNR_FULL_DB - _SNR_NONE_DB)
    agree = (1.0 - _below(signs.votes * sign, _VOTES)) * (1.0 - _below(coherence, _COHERENCE))
    odds = sign * size * np.clip(above_noise, 0.0, 1.0) * agree
    np.fill_diagonal(odds, 0.0)
    return np.asarray(odds)
