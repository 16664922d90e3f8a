"""What a track did during the take, told of the track and of its pairs.

Conventions
-----------
lag
    seconds; how much later a track is than in the state that is reported.  Of a track that changed, the
    longest state is reported; of a track on another clock, the middle of the take.
rate
    seconds per second, positive where the track gets later and later; ppm is a million times that.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

#: Least step (5 cm of air: no player's own movement).
LEAST_STEP_MS = 0.15
#: A turned polarity and a step this near in time are one change.
TOGETHER_S = 3.0
#: Clocks of one make differ by some ppm, tracks of one converter by none; below this, and below this way
#: over the take, it may be the player's movement or the room's temperature.
LEAST_DRIFT_PPM = 2.0
LEAST_TRAVEL_MS = 0.1
#: Either half of the take drifts like the whole within this share of its rate.
HALF_WITHIN = 0.5
#: A drift against its uncertainty.
DRIFT_SIGMAS = 6.0


@dataclass(frozen=True, kw_only=True)
class Change:
    """A moment at which the relation of two tracks changes."""

    time_s: float
    #: Track that changed; None where an earlier version did not name it.
    track: str | None = None
    #: Its polarity turned.
    turned: bool = False
    #: How much later it is than before; None where its timing stayed.
    later_ms: float | None = None
    offset_before_ms: float | None
    offset_after_ms: float | None


@dataclass(frozen=True, kw_only=True)
class Holds:
    """Part of the take that what is said of a track belongs to."""

    track: str
    from_s: float
    to_s: float


@dataclass(frozen=True, kw_only=True)
class Step:
    """A moment at which one track changed."""

    time_s: float
    #: How much later the track is after it than before.
    jump_s: float
    #: The polarity turned.
    flip: bool


@dataclass(frozen=True, kw_only=True)
class Motion:
    """What one track did during the take, against the tracks that stayed."""

    track: int
    rate: float = 0.0
    rate_std: float = 0.0
    steps: tuple[Step, ...] = ()
    #: Length of the take.
    duration_s: float = 0.0

    def state_s(self) -> tuple[float, float]:
        """Begin and end of the state that is reported: the longest."""
        bounds = [0.0, *(step.time_s for step in self.steps), self.duration_s]
        longest = int(np.argmax(np.diff(bounds)))
        return bounds[longest], bounds[longest + 1]

    def lag_s(self, time_s: float) -> float:
        """How much later the track is at a time than as reported."""
        begin, end = self.state_s()
        lag = self.rate * (time_s - self.duration_s / 2)
        lag += sum(step.jump_s for step in self.steps if end <= step.time_s <= time_s)
        return lag - sum(step.jump_s for step in self.steps if time_s < step.time_s <= begin)

    def sign(self, time_s: float) -> int:
        """+1, or -1 where the polarity is the other than as reported."""
        begin, end = self.state_s()
        between = [
            step.flip for step in self.steps if end <= step.time_s <= time_s or time_s < step.time_s <= begin
        ]
        return -1 if sum(between) % 2 else 1


def gauged(motions: Sequence[Motion]) -> tuple[Motion, ...]:
    """Refer motions to the tracks that stayed: the largest group of alike tracks, the first in a tie.

    Parameters
    ----------
    motions : sequence of Motion
        Of every track that could be followed, those at rest too.

    Returns
    -------
    tuple of Motion
        Of the tracks that changed.
    """
    if not motions:
        return ()
    common = _usual([motion.rate for motion in motions], LEAST_DRIFT_PPM * 1e-6)
    out = [replace(motion, rate=motion.rate - common) for motion in motions]
    for time_s in {step.time_s for motion in motions for step in motion.steps}:
        jumps = [_jump_near(motion, time_s, TOGETHER_S) for motion in motions]
        usual = _usual(jumps, LEAST_STEP_MS * 1e-3)
        if usual:
            out = [
                _with_jump(motion, time_s, jump - usual, TOGETHER_S)
                for motion, jump in zip(out, jumps, strict=True)
            ]
    least = LEAST_DRIFT_PPM * 1e-6
    out = [replace(motion, rate=motion.rate if abs(motion.rate) >= least else 0.0) for motion in out]
    return tuple(motion for motion in out if motion.rate or motion.steps)


def _usual(values: Sequence[float], width: float) -> float:
    """Middle of the largest group of alike values; the group of the first value in a tie."""
    array = np.asarray(values)
    groups = [np.abs(array - value) <= width for value in array]
    best = groups[max(range(len(groups)), key=lambda k: (int(groups[k].sum()), bool(groups[k][0])))]
    middle = float(np.median(array[best]))
    return 0.0 if abs(middle) < width else middle


def _jump_near(motion: Motion, time_s: float, within_s: float) -> float:
    return sum(step.jump_s for step in motion.steps if abs(step.time_s - time_s) <= within_s)


def _with_jump(motion: Motion, time_s: float, jump_s: float, within_s: float) -> Motion:
    """Give the motion another jump at that time; a step left with neither jump nor flip goes."""
    kept = [step for step in motion.steps if abs(step.time_s - time_s) > within_s]
    flip = any(step.flip for step in motion.steps if abs(step.time_s - time_s) <= within_s)
    jump_s = jump_s if abs(jump_s) > 1e-5 else 0.0
    if jump_s or flip:
        kept.append(Step(time_s=time_s, jump_s=jump_s, flip=flip))
    return replace(motion, steps=tuple(sorted(kept, key=lambda step: step.time_s)))


def joined(first: Sequence[Motion], second: Sequence[Motion]) -> tuple[Motion, ...]:
    """Motions found one after the other, the second with the first already taken back."""
    by_track = {motion.track: motion for motion in first}
    for motion in second:
        old = by_track.get(motion.track)
        by_track[motion.track] = (
            motion
            if old is None
            else replace(
                old,
                rate=old.rate + motion.rate,
                rate_std=max(old.rate_std, motion.rate_std),
                steps=tuple(sorted((*old.steps, *motion.steps), key=lambda step: step.time_s)),
            )
        )
    return tuple(by_track[track] for track in sorted(by_track))


@dataclass(frozen=True, kw_only=True)
class PairChanges:
    """What the motions of two tracks mean for their pair."""

    #: None where both run on one clock.
    drift_ppm: float | None
    changes: tuple[Change, ...]
    holds: tuple[Holds, ...]


def pair_changes(
    names: tuple[str, ...], pair: tuple[int, int], offset_ms: float | None, motions: Sequence[Motion]
) -> PairChanges:
    """Tell a pair's drift and changes from those of its tracks.

    Parameters
    ----------
    names : tuple of str
    pair : tuple of int
        Reference and other.
    offset_ms : float or None
        The pair's offset in the state that is reported.
    motions : sequence of Motion

    Returns
    -------
    PairChanges
    """
    own = {motion.track: motion for motion in motions if motion.track in pair}
    a, b = (own.get(track, Motion(track=track)) for track in pair)
    changes = []
    for motion in (a, b):
        for step in motion.steps:
            around = [
                None if offset_ms is None else offset_ms + (b.lag_s(at) - a.lag_s(at)) * 1e3
                for at in (step.time_s - 1e-6, step.time_s + 1e-6)
            ]
            changes.append(
                Change(
                    time_s=step.time_s,
                    track=names[motion.track],
                    turned=step.flip,
                    later_ms=step.jump_s * 1e3 if step.jump_s else None,
                    offset_before_ms=around[0],
                    offset_after_ms=around[1],
                )
            )
    return PairChanges(
        drift_ppm=(b.rate - a.rate) * 1e6 if b.rate != a.rate else None,
        changes=tuple(sorted(changes, key=lambda change: change.time_s)),
        holds=tuple(holds(names, motion) for motion in (a, b) if motion.steps),
    )


def holds(names: tuple[str, ...], motion: Motion) -> Holds:
    """Say which part of the take is reported of a track that changed."""
    begin, end = motion.state_s()
    return Holds(track=names[motion.track], from_s=begin, to_s=end)
