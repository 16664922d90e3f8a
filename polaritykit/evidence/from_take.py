"""What the whole take says of pairs of which neither hits nor frames tell anything.

Conventions: as in `polaritykit.evidence.source`.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.processes import in_processes
from polaritykit.base.types import Floats, Recording, read_only
from polaritykit.evidence.from_frames import RIVAL_SLOPE, by_wire, odds_by_rival
from polaritykit.evidence.source import EDGE_CAP, SourceEvidence
from polaritykit.sustained.activity import heard
from polaritykit.sustained.frames import explained_db
from polaritykit.sustained.home_frames import LOBES_MS, MOST_TAKE_WINDOWS
from polaritykit.sustained.joint_delay import JointDelay, joint_delay, take_windows
from polaritykit.sustained.phase_curve import MAX_RIVAL
from polaritykit.sustained.take_frames import TakeFrames, TakePlan, by_groups, plan_take, read_take
from polaritykit.sustained.take_screen import may_share
from polaritykit.sustained.whole_take import Shared, plain_sign, shared

#: Spectra of the take that are held at a time: of some forty tracks of a minute.
_TAKE_BYTES = 2.5e8


def take_evidence(
    recording: Recording, levels_db: Floats, open_pairs: NDArray[np.bool_], search_ms: float
) -> tuple[SourceEvidence, ...]:
    """Test the pairs that are still open over the whole take.

    Parameters
    ----------
    recording : Recording
    levels_db : ndarray, shape (n_frames, n_tracks)
        From `polaritykit.sustained.activity.ActivityMeter`.
    open_pairs : ndarray of bool, shape (n_tracks, n_tracks)
        Above the diagonal, those to test.
    search_ms : float
        Largest offset looked for in single frames.

    Returns
    -------
    tuple of SourceEvidence
        One for each pair that shares sound.
    """
    pairs = [(int(a), int(b)) for a, b in np.argwhere(np.triu(open_pairs, 1))]
    plan = plan_take(recording, search_ms) if pairs and len(levels_db) else None
    if plan is None:
        return ()
    found: dict[tuple[int, int], SourceEvidence] = {}
    for take, part in _takes(recording, plan, may_share(recording, plan, pairs)):

        def tested(pair: tuple[int, int], take: TakeFrames = take) -> SourceEvidence | None:
            test = shared(take, *pair)
            delay = _sharpened(recording, pair, test, plan.size) if test.related else None
            if delay is None:
                return None
            return _evidence(levels_db, pair, sign=test.sign, size=_log_odds(test), found=delay)

        told = zip(part, in_processes(tested, part), strict=True)
        found.update((pair, item) for pair, item in told if item is not None)
    return tuple(found[pair] for pair in sorted(found))


def _takes(
    recording: Recording, plan: TakePlan, pairs: Sequence[tuple[int, int]]
) -> Iterator[tuple[TakeFrames, list[tuple[int, int]]]]:
    """Read the tracks of some pairs at a time, as many as fit into memory."""
    for tracks, part in by_groups(pairs, max(2, int(_TAKE_BYTES / max(1, plan.bytes_of_track)))):
        yield read_take(recording, plan, tracks), part


def moving_sources(
    recording: Recording, evidence: Sequence[SourceEvidence], search_ms: float
) -> tuple[SourceEvidence, ...]:
    """Let the plain phase transform speak for pairs of sustained sound whose sign is not sure.

    Parameters
    ----------
    recording : Recording
    evidence : sequence of SourceEvidence
        Signs as sure as one pair's evidence can be are left as they are.
    search_ms : float
        Largest offset looked for in single frames.

    Returns
    -------
    tuple of SourceEvidence
        The same, in the same order.
    """
    said = np.zeros((0, 0))
    for item in evidence:
        said = said + item.log_odds if said.size else item.log_odds.copy()
    wanted = {
        (number, int(other)): (item.home, int(other))
        for number, item in enumerate(evidence)
        if item.kind == "continuous"
        for other in np.flatnonzero(item.known[item.home] & (np.abs(said[item.home]) < EDGE_CAP))
    }
    plan = plan_take(recording, search_ms) if wanted else None
    if plan is None:
        return tuple(evidence)
    plain = _plain_signs(recording, plan, evidence, wanted)
    result = list(evidence)
    for number, other in wanted:
        # What is said of a pair only grows: it may have become sure by its other home's frames.
        home = evidence[number].home
        if abs(said[home, other]) >= EDGE_CAP:
            continue
        sign, rival = plain[number, other]
        size = odds_by_rival(rival)
        odds = result[number].log_odds.copy()
        own = float(odds[home, other])
        if sign * float(said[home, other]) < 0.0 or size <= abs(own):
            continue
        odds[home, other] = odds[other, home] = sign * size
        said[home, other] = said[other, home] = said[home, other] + sign * size - own
        result[number] = replace(result[number], log_odds=read_only(odds))
    return tuple(result)


def _plain_signs(
    recording: Recording,
    plan: TakePlan,
    evidence: Sequence[SourceEvidence],
    wanted: dict[tuple[int, int], tuple[int, int]],
) -> dict[tuple[int, int], tuple[int, float]]:
    """Plain signs of pairs at the offsets that sources say, by source and other track."""
    keys: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for key, pair in wanted.items():
        keys.setdefault(pair, []).append(key)
    told: dict[tuple[int, int], tuple[int, float]] = {}
    for take, part in _takes(recording, plan, list(keys)):
        asked = [(key, pair) for pair in part for key in keys[pair]]

        def of(item: tuple[tuple[int, int], tuple[int, int]], take: TakeFrames = take) -> tuple[int, float]:
            (number, _), pair = item
            return plain_sign(take, *pair, offset_s=float(evidence[number].offset_s[pair]))

        told.update(zip((key for key, _ in asked), in_processes(of, asked), strict=True))
    return told


def _sharpened(
    recording: Recording, pair: tuple[int, int], test: Shared, size: int
) -> tuple[JointDelay, float] | None:
    """Delay over all of the audio, and the power of the second track that the first explains, dB.

    None where the phase has no line at the peak, or where what they share came by wire: no delay, and faint.
    """
    rate = recording.sample_rate_hz
    whole = round(test.lag_s * rate)
    windows = take_windows(recording, pair, whole, size, MOST_TAKE_WINDOWS)
    delay = joint_delay(
        *windows,
        whole,
        offset_s=test.lag_s,
        sign=test.sign,
        sample_rate_hz=rate,
        lobes_s=LOBES_MS * 1e-3,
    )
    if delay is None or not delay.same_lobe:
        return None
    share_db = explained_db(*windows, delay.offset_s - whole / rate, rate)
    return None if by_wire(delay.offset_s, delay.std_s, share_db, rate) else (delay, share_db)


def _evidence(
    levels_db: Floats, pair: tuple[int, int], *, sign: int, size: float, found: tuple[JointDelay, float]
) -> SourceEvidence:
    delay, share_db = found
    a, b = pair
    n = levels_db.shape[1]
    offset, std, odds = np.zeros((n, n)), np.zeros((n, n)), np.zeros((n, n))
    known = np.zeros((n, n), dtype=bool)
    known[a, b] = known[b, a] = True
    offset[a, b], offset[b, a] = delay.offset_s, -delay.offset_s
    std[a, b] = std[b, a] = delay.std_s
    odds[a, b] = odds[b, a] = sign * size
    obstacle = [""] * n
    if size == 0.0:
        obstacle[b] = "narrow"
    level = heard(levels_db).mean(axis=0)
    home, other = (a, b) if delay.offset_s >= 0 else (b, a)
    level[other] += min(0.0, share_db)
    return SourceEvidence(
        kind="continuous",
        home=home,
        n_used=len(levels_db),
        n_found=len(levels_db),
        at_samples=np.zeros(0, dtype=np.int64),
        offset_s=read_only(offset),
        std_s=read_only(std),
        known=known,
        log_odds=read_only(odds),
        level_db=read_only(level),
        obstacle=tuple(obstacle),
    )


def _log_odds(test: Shared) -> float:
    """Log-odds of the sign: the opposite lobe may be the true one by its shape, or by noise.

    Two lobes of heights J and rJ in the same noise σ change places with the probability
    Q(J/σ·sqrt((1-r)/2)), for their noises correlate by r.
    """
    from scipy.special import erfc

    by_shape = RIVAL_SLOPE * (MAX_RIVAL - test.rival)
    wrong = 0.5 * float(erfc(test.height * math.sqrt(max(0.0, 1.0 - test.rival)) / 2.0))
    by_noise = math.log((1.0 - wrong) / max(wrong, 1e-12))
    return float(np.clip(min(by_shape, by_noise), 0.0, EDGE_CAP))
