"""Offsets of one sustained sound close: what two mics hear of it follows from when a third one hears it.

Between two mics far from the source the correlation is of reflections with reflections, and its highest peak
may be of two that differ; a mic near the source times both of them better.  Where it does, and the pair's own
correlation stands at the lag that follows, the pair is read there.

Conventions: as in `polaritykit.evidence.source`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polaritykit.base.types import Floats, Recording, read_only
from polaritykit.evidence.other_arrival import with_other
from polaritykit.evidence.source import SourceEvidence
from polaritykit.sustained.home_frames import MOST_TAKE_WINDOWS
from polaritykit.sustained.joint_delay import JointDelay, joint_delay, take_windows

#: Readings within this are of one arrival (half a period at 5 kHz).
_ONE_ARRIVAL_S = 0.1e-3
#: Height of the correlation at the lag that follows, over its noise: one in a million by chance at one lag.
_STANDS = 5.0


@dataclass(frozen=True, kw_only=True)
class _ByHome:
    """What the homes of sustained sound say of their pairs, home by row; shapes (n_tracks, n_tracks)."""

    known: NDArray[np.bool_]
    offset_s: Floats
    right: Floats
    sign: Floats


@dataclass(frozen=True, kw_only=True)
class _Follows:
    """What follows of a pair by way of a third track."""

    home: int
    other: int
    offset_s: float
    right: float
    #: 0 where a sign is open.
    sign: float


def closed(
    recording: Recording, evidence: Sequence[SourceEvidence], frame_samples: int
) -> list[SourceEvidence]:
    """Read pairs again where two others of the same sound say better which peak is the direct sound's.

    Parameters
    ----------
    recording : Recording
    evidence : sequence of SourceEvidence
        Of sustained sound, one for each home.
    frame_samples : int
        Longest window to read in.

    Returns
    -------
    list of SourceEvidence
        The same, in the same order.
    """
    if not evidence:
        return []
    by_home = _by_home(evidence)
    n = len(by_home.known)
    most = MOST_TAKE_WINDOWS // max(1, n * (n - 1) // 2)
    read: dict[tuple[int, int, float], JointDelay | None] = {}
    result = list(evidence)
    for number, item in enumerate(evidence):
        for way in _better(by_home, item):
            lag = way.offset_s if way.home < way.other else -way.offset_s
            key = min(way.home, way.other), max(way.home, way.other), round(lag, 9)
            if key not in read:
                read[key] = _read_there(recording, way, frame_samples, most)
            delay = read[key]
            if delay is not None:
                result[number] = _told(result[number], way, delay)
    return result


def _by_home(evidence: Sequence[SourceEvidence]) -> _ByHome:
    shape = evidence[0].known.shape
    known = np.zeros(shape, dtype=bool)
    offset, right, sign = (np.zeros(shape) for _ in range(3))
    for item in evidence:
        if item.right is None:
            continue
        home = item.home
        known[home], offset[home], right[home] = item.known[home], item.offset_s[home], item.right[home]
        sign[home] = np.sign(item.log_odds[home])
    return _ByHome(known=known, offset_s=offset, right=right, sign=sign)


def _better(said: _ByHome, item: SourceEvidence) -> list[_Follows]:
    """Pairs of a home that a third track says more surely, and otherwise.

    The third track's sound is the home's own where both say the same of each other.
    """
    home = item.home
    alike = said.known[:, home] & said.known[home]
    alike &= np.abs(said.offset_s[:, home] + said.offset_s[home]) <= _ONE_ARRIVAL_S
    thirds = np.flatnonzero(alike)
    if item.right is None or not len(thirds):
        return []
    follows = said.offset_s[thirds] - said.offset_s[thirds, home][:, None]
    # As sure as both ways are right.
    wrong = np.exp(-said.right[thirds]) + np.exp(-said.right[thirds, home])[:, None]
    right = np.where(said.known[thirds], -np.log(wrong), -np.inf)
    best = np.argmax(right, axis=0)
    found = []
    for other in np.flatnonzero(said.known[home]).tolist():
        row = int(best[other])
        lag = float(follows[row, other])
        elsewhere = abs(lag - said.offset_s[home, other]) > _ONE_ARRIVAL_S
        if elsewhere and right[row, other] > said.right[home, other]:
            third = int(thirds[row])
            sign = float(said.sign[third, home] * said.sign[third, other])
            found.append(
                _Follows(home=home, other=other, offset_s=lag, right=float(right[row, other]), sign=sign)
            )
    return found


def _read_there(recording: Recording, way: _Follows, frame_samples: int, most: int) -> JointDelay | None:
    """Delay of the first of the two tracks in order against the other, at the lag that follows."""
    rate = recording.sample_rate_hz
    pair = min(way.home, way.other), max(way.home, way.other)
    lag = way.offset_s if way.home < way.other else -way.offset_s
    whole = round(lag * rate)
    delay = joint_delay(
        *take_windows(recording, pair, whole, frame_samples, most),
        whole,
        offset_s=lag,
        sign=1 if way.sign >= 0.0 else -1,
        sample_rate_hz=rate,
        lobes_s=_ONE_ARRIVAL_S,
    )
    if delay is None or delay.height < _STANDS or abs(delay.offset_s - lag) > _ONE_ARRIVAL_S:
        return None
    return delay if not way.sign or delay.sign == way.sign else None


def _told(item: SourceEvidence, way: _Follows, delay: JointDelay) -> SourceEvidence:
    """Let a source say of a pair what was read where it follows from others."""
    a, b = way.home, way.other
    lag = delay.offset_s if a < b else -delay.offset_s
    offset, std, odds = item.offset_s.copy(), item.std_s.copy(), item.log_odds.copy()
    right = np.zeros_like(offset) if item.right is None else item.right.copy()
    moved_s = abs(float(offset[a, b]) - lag)
    offset[a, b], offset[b, a] = lag, -lag
    right[a, b] = right[b, a] = way.right
    std[a, b] = std[b, a] = with_other(delay.std_s, way.right, moved_s)
    if odds[a, b] * delay.sign < 0.0:
        odds[a, b] = odds[b, a] = 0.0
    return replace(
        item,
        offset_s=read_only(offset),
        std_s=read_only(std),
        right=read_only(right),
        log_odds=read_only(odds),
    )
